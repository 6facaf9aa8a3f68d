"""The host's place on the kit link, by hand: every frame as a case wants it, good or bad.

    ask("VEND", row=0, column=0, price=0)    a new request, and its answer
    repeat()                                 the same bytes again
    say(wire, gaps)                          any bytes, and what the board says to them
    poll_for(3.0)                            POLL every 100 ms, as a quiet host does

Only the case decides what goes out: no try is repeated, no event answered, unless it says so.
"""

from benchsim.checks.stage import NotReached
from benchsim.events import TICKS_PER_MS, Burst, seconds, ticks
from benchsim.links.kit_frames import reader_of, wrap
from benchsim.schema.fields import Misfit
from benchsim.schema.kit import Answer

LOOK = 0.002  # seconds between two looks for an answer
FREE = 0  # a price: nothing is to be paid


class KitAsker:
    """Seats itself in the host's place. `events` are all that the board has told, each once."""

    def __init__(self, spec, clock, line):
        self.spec, self.clock, self.line = spec, clock, line
        self.reader = reader_of(spec)
        self.seq = 0
        self.body = b""  # of the last request
        self.rows = self.columns = 0
        self.heard: list[bytes] = []  # bodies of good frames since the last thing said
        self.events: list = []
        self.state = self.credit = None
        self._numbers: dict[int, bytes] = {}
        line.attach("host", True, self._hear)

    # ---- one frame

    async def say(self, wire: bytes, gaps: tuple[int, ...] = (), patience: float | None = None) -> list[bytes]:
        """Bytes as they are. Returns the bodies of the good frames that the board says to them, at most one
        where it says anything; `patience`: seconds to wait for the first byte (default: as a host waits).
        """
        self.heard = []
        wait = self.spec.limits["wait"].nominal if patience is None else ticks(patience)
        until = self.line.say("host", tuple(wire), self.clock.now(), gaps).end + wait + self.line.slack
        while not self.heard and (self.clock.now() < until or self._answer_under_way()):
            await self.clock.sleep(LOOK)
        return self.heard

    def _answer_under_way(self) -> bool:
        self.reader.expire(self.clock.now())
        return self.reader.begun is not None or self.line.under_way(out=False) is not None

    def _hear(self, burst: Burst) -> None:
        for frame in self.reader.feed(burst):
            if not frame.broken:
                self.heard.append(frame.body)

    # ---- requests

    def has(self, name: str) -> bool:
        """Does the link have this operation?"""
        return name in self.spec.by_name

    @property
    def harmless(self) -> str:
        """Something to ask that changes nothing."""
        return "COUNTERS" if self.has("COUNTERS") else "IDENT"

    def next_seq(self, step: int = 1) -> int:
        """`seq` counted up."""
        self.seq = (self.seq + step) % self.spec.seqs
        return self.seq

    def request(self, name: str, step: int = 1, **fields) -> bytes:
        """The body of a new request; `step`: by how much `seq` counts up. NotReached where the link cannot say it."""
        if not self.has(name):
            raise NotReached(f"this link has no {name}")
        try:
            return self.spec.build_request(name, self.next_seq(step), **fields)
        except Misfit as misfit:
            raise NotReached(f"this link cannot say that: {name} {misfit}") from None

    async def ask_if(self, name: str, **fields) -> None:
        """A new request, where the link has it."""
        if self.has(name):
            await self.ask(name, **fields)

    async def ask(self, name: str, step: int = 1, **fields) -> Answer | None:
        """A new request, one try. None: no answer that fits it."""
        return await self.exchange(self.request(name, step, **fields))

    async def exchange(self, body: bytes, gaps: tuple[int, ...] = ()) -> Answer | None:
        """Say a body in a good frame, and take its answer."""
        self.body = body
        return self._taken(body, await self.say(wrap(self.spec, body), gaps))

    async def repeat(self) -> Answer | None:
        """The last request again, the same bytes."""
        return await self.exchange(self.body)

    def _taken(self, body: bytes, heard: list[bytes]) -> Answer | None:
        asked = self.spec.asked(body)
        for said in heard:
            if self.spec.answered(said) == asked:
                try:
                    answer = self.spec.parse_answer(said)
                except Misfit:
                    return None
                self._told(answer)
                return answer
        return None

    def _told(self, answer: Answer) -> None:
        if answer.name != "POLL" or answer.status:
            return
        self.state, self.credit = answer.fields["state"], answer.fields["credit"]
        for event in answer.fields["events"]:
            if event.name == "BOOTED":
                self._numbers.clear()
            if self._numbers.get(event.number) != bytes((event.code,)) + event.raw:
                self._numbers[event.number] = bytes((event.code,)) + event.raw
                self._numbers.pop((event.number - 128) % 256, None)
                self.events.append(event)

    def names(self) -> list[str]:
        """What the board has told, in order, by the names of the events."""
        return [event.name for event in self.events]

    # ---- a host's ways

    async def poll_for(self, seconds: float, step: int = 1) -> None:
        """POLL every 100 ms for so long, as a quiet host does. `step` 2: nothing is ever acknowledged."""
        end = self.clock.now() + ticks(seconds)
        while self.clock.now() < end:
            next_poll = self.clock.now() + self.spec.limits["poll"].nominal
            await self.ask("POLL", step)
            await self.clock.sleep_until(min(next_poll, max(end, self.clock.now())))

    async def poll_until(self, holds, within: float) -> bool:
        """POLL until something holds; False if it does not in time (seconds)."""
        end = self.clock.now() + ticks(within)
        while not holds():
            if self.clock.now() >= end:
                return False
            await self.poll_for(0.1)
        return True

    async def reach(self, within: float) -> bool:
        """RESET until the board answers, and let it say who it is. False: it never did."""
        end = self.clock.now() + ticks(within)
        while self.clock.now() < end:
            next_reset = self.clock.now() + self.spec.limits["reset"].nominal
            if await self.ask("RESET"):
                identity = await self.ask("IDENT")
                if identity is None or identity.status:
                    return False
                self.rows, self.columns = identity.fields["rows"], identity.fields["columns"]
                return True
            await self.clock.sleep_until(next_reset)
        return False

    async def send_table(self, prices: list[int], commit: bool = True, check: int | None = None) -> Answer | None:
        """A whole price table; the answer to its commit (or to its last part). `check`: another than the right one."""
        answer = await self.ask("PRICE-BEGIN", entries=len(prices))
        for first in range(0, len(prices), self.spec.part):
            part = prices[first : first + self.spec.part]
            answer = await self.ask("PRICE-PART", first=first, n=len(part), prices=part)
        if not commit:
            return answer
        return await self.ask("PRICE-COMMIT", check=self.check_of(prices) if check is None else check)

    def check_of(self, prices: list[int]) -> int:
        """The check over a table."""
        return self.spec.table_check(prices)

    def table(self, price: int) -> list[int]:
        """A table with one price for all."""
        return [price] * (self.rows * self.columns)

    @property
    def short_silence(self) -> float:
        """Seconds of silence that a board in sale bears."""
        return seconds(self.spec.limits["watchdog"].low) - 0.2

    @property
    def long_silence(self) -> float:
        """Seconds of silence after which it has left the sale."""
        return seconds(self.spec.limits["watchdog"].high) + 0.2

    async def silence(self, seconds: float) -> None:
        """Say nothing for so long after the last word."""
        await self.clock.sleep(seconds)


def gap_in_the_middle(wire: bytes, ms: float) -> tuple[int, ...]:
    """Gaps that put a pause into the middle of a frame."""
    middle = len(wire) // 2
    return tuple(int(ms * TICKS_PER_MS) if i == middle else 0 for i in range(len(wire)))
