"""The audit link as transmissions: who bids, what is sent, how it is answered, what came whole.

Blocks carry no numbers, so what a receiver took is known from its answers alone. Where an answer was not heard
whole, or a reader was plugged in anew, more than one answer is in order; it is never held against anybody.

Events, each with its arguments:
    audit.item    (heard)                     every code, block and noise of either side
    audit.answer  (transmission, question, answer, names in order or () where nothing is known)
    audit.silent  (transmission, question)    the sender speaks again, and nothing had answered it
    audit.block   (transmission, heard, again, in order or why not)
    audit.tries   (transmission, heard, how often)   one bid or block is over
    audit.step    (seat, heard, why it is not in order or "")    a step of a session: request, response, data
    audit.text    (AuditText, heard)          a whole text of the board, and its last block
"""

from benchsim.events import Burst, Happening, LinkInfo, ticks
from benchsim.judge.core import Judge
from benchsim.judge.registry import follows
from benchsim.links.audit_blocks import DATA, HEAD, Item, ItemReader, text
from benchsim.links.audit_text import parse
from benchsim.schema.fields import Misfit

ACKS = ("ACK0", "ACK1")
ANSWERS = (*ACKS, "NAK", "WAIT")
SHOWN = 70  # characters of a block in evidence
STALE = ticks(1.4)  # silence after which a receiver may take an ENQ for a new bid; common practice


class Heard:
    """An item as the judge sees it. `since`: of the last block of a text, when its session began."""

    __slots__ = ("broken", "end", "item", "name", "number", "seat", "since", "spec", "start")

    def __init__(self, item: Item, number: int, seat: str, spec):
        self.item, self.number, self.seat, self.spec = item, number, seat, spec
        self.name, self.start, self.end, self.broken = item.name, item.start, item.end, item.broken
        self.since = item.start

    def text(self) -> str:
        """The item in words."""
        return text(self.spec, self.item, SHOWN)


class Transmission:
    """What one side sends in one go. `taken`: blocks that were acknowledged."""

    def __init__(self, bid: Heard, receiver: str):
        self.out, self.sender, self.receiver = bid.item.out, bid.seat, receiver
        self.began = bid.start
        self.taken: list[Heard] = []
        self.block: Heard | None = None  # the last one said
        self.open: Heard | None = bid  # what waits for its answer
        self.last = bid  # the last item of the sender
        self.accepted = False  # the bid was
        self.refused = False  # the block was answered with NAK
        self.unclear = False  # an answer to the block may have been given
        self.renewed = False  # another reader, or the same anew, may be bidding
        self.tries = 1

    @property
    def whole(self) -> bool:
        """Was the last block acknowledged?"""
        return bool(self.taken) and self.taken[-1].item.last

    @property
    def waits(self) -> bool:
        """Is there a block that was not acknowledged?"""
        return self.block is not None and (not self.taken or self.taken[-1] is not self.block)


@follows("audit")
class AuditTalk:
    """Bursts of the audit link to the events above."""

    def __init__(self, judge: Judge, info: LinkInfo):
        self.judge, self.spec = judge, judge.book.audit
        self.seats = {True: self.spec.asks, False: self.spec.answers}
        self.on: Transmission | None = None
        self.phase: str | None = None  # "asked", "answered", "idle"; None: not known yet
        self.asked_for = ""
        self._renewed = -1  # until when a bid may be taken for one of the reader before
        self._numbers: dict[bool, int | None] = {True: None, False: None}
        self._spoke = {True: (-2, -1), False: (-2, -1)}  # the last item of either side, from and to
        self._away: set[str] = set()  # without supply or pulled, and not heard since
        self._fresh()
        kinds = ("item", "answer", "silent", "block", "tries", "step", "text")
        self._calls = {kind: judge.calls(f"audit.{kind}") for kind in kinds}
        judge.calls("happening.power").append(self._power)
        judge.calls("open").append(self._may_go_on)
        judge.calls("happening.audit").append(self._reader)

    def _fresh(self) -> None:
        self.readers = {out: ItemReader(self.spec) for out in (True, False)}

    def _tell(self, kind: str, *args) -> None:
        for call in self._calls[kind]:
            call(*args)

    # ---- Follower

    def burst(self, burst: Burst) -> None:
        """Words of either side."""
        for out, reader in self.readers.items():
            if out != burst.out:
                self._heard(reader.expire(burst.start))
        reader = self.readers[burst.out]
        self._heard(reader.expire(burst.start))
        if self._numbers[burst.out] is None:
            self._numbers[burst.out] = self.judge.number()
        self._heard(reader.feed(burst))
        if reader.begun is not None and self._numbers[burst.out] is None:
            self._numbers[burst.out] = self.judge.number()

    def close(self, end: int) -> None:
        """What the end cuts is not judged."""
        for reader in self.readers.values():
            self._heard(reader.expire(end))
        self._over()

    def _power(self, happening: Happening) -> None:
        if happening.seat == self.spec.answers:
            self.on, self.phase = None, "idle"
            self._away.add(happening.seat)
            self._fresh()

    def _reader(self, happening: Happening) -> None:
        """A reader begins, or was pulled: whoever hears it next may take it for the old one or a new one."""
        if happening.data.get("state") == "begins" or happening.data.get("why") == "pulled out":
            self._over()
            self._away.add(self.spec.asks)
            self.phase, self._renewed = "idle", happening.time + STALE
            if self.on:
                self.on.renewed = True

    def _may_go_on(self) -> bool:
        """Is it not long enough since anybody spoke that a bid would surely be a new one?"""
        last = max(self._renewed, *(end + STALE for _, end in self._spoke.values()))
        return self.judge.now <= last

    # ---- items

    def _heard(self, items: list[Item]) -> None:
        for item in items:
            number, self._numbers[item.out] = self._numbers[item.out], None
            heard = Heard(item, number or self.judge.number(), self.seats[item.out], self.spec)
            if not item.broken:
                self.judge.heard(heard.seat)
            self._spoke[item.out] = item.start, item.end
            self._away.discard(heard.seat)
            self._tell("item", heard)
            if item.name == "ENQ":
                self._enq(heard)
            elif item.name == "EOT":
                self._eot(heard)
            elif item.is_block:
                self._block(heard)
            elif item.name in ANSWERS:
                self._answer(heard)
            elif self.on and item.out != self.on.out:
                self.on.unclear, self.on.open = True, None  # an answer that nobody can read

    def _enq(self, heard: Heard) -> None:
        on = self.on
        if on is None or on.out != heard.item.out:
            self._over()
            self._bid(heard)
            return
        self._unanswered()
        on.renewed = on.renewed or heard.start - on.last.end > STALE
        on.tries += 1
        on.open, on.last = heard, heard

    def _bid(self, heard: Heard) -> None:
        self.on = Transmission(heard, self.seats[not heard.item.out])
        self.on.renewed = heard.start <= self._renewed

    def _unanswered(self) -> None:
        on = self.on
        if on.open is not None:
            start, end = self._spoke[not on.out]
            asked = on.sender == self.spec.asks or self.phase in ("asked", "answered")
            if asked and on.receiver not in self._away and (end < on.open.start or start > on.open.end):  # who talks hears nothing
                self._tell("silent", on, on.open)

    def _block(self, heard: Heard) -> None:
        on = self.on
        if on is None or on.out != heard.item.out:
            if self.phase is not None:
                self._tell("block", on, heard, False, "a block without a bid")
            return
        self._unanswered()
        again = on.block is not None and on.block.item.raw == heard.item.raw
        self._tell("block", on, heard, again, self._order(on, heard, again))
        if again:
            on.tries += 1
        else:
            self._tell("tries", on, on.last, on.tries)
            on.tries, on.unclear = 1, False
            on.block = heard
        on.open, on.last, on.refused = heard, heard, False

    @staticmethod
    def _order(on: Transmission, heard: Heard, again: bool) -> str:
        if not on.accepted:
            return "a block before the bid was acknowledged"
        if again or heard.broken or on.block is None or on.block.broken:
            return ""
        if on.refused:
            return "another block than the one that was refused"
        return "" if not on.waits or on.unclear else "the next block, and the one before was not acknowledged"

    def _eot(self, heard: Heard) -> None:
        if self.on:
            self._tell("tries", self.on, self.on.last, self.on.tries)
        self._over(heard)

    def _over(self, heard: Heard | None = None) -> None:
        on, self.on = self.on, None
        if on and on.whole:
            self._step(on, heard or on.last)
        elif on and heard is None:
            self.on = on

    # ---- answers

    def _answer(self, heard: Heard) -> None:
        on = self.on
        if on is None or on.out == heard.item.out or on.open is None:
            return
        names = self._in_order(on)
        self._tell("answer", on, on.open, heard, names)
        name, on.open = heard.name, None
        if name not in ACKS:
            on.refused = name == "NAK" and on.block is not None
            on.tries *= name != "WAIT"  # it was heard: what comes then is no further try
            return
        if not on.accepted or (on.renewed and name == "ACK0" and not on.waits):
            on.accepted, on.renewed = name == "ACK0", False
            on.taken, on.block = [], None
        elif on.waits and not on.block.broken and name == ACKS[(len(on.taken) + 1) % 2]:
            on.taken.append(on.block)

    def _in_order(self, on: Transmission) -> tuple[str, ...]:
        """Answers that would be right now."""
        if not on.accepted:
            return ("ACK0",) if not on.renewed else ACKS
        next_, same = ACKS[(len(on.taken) + 1) % 2], ACKS[len(on.taken) % 2]
        if on.open.name != "ENQ":
            if on.open.broken:
                return ("NAK",)
            return (next_,) if on.waits else (same,)
        if on.renewed or (on.waits and on.unclear):
            return ACKS
        return (next_, same) if on.waits else (same,)

    # ---- sessions

    def _step(self, on: Transmission, heard: Heard) -> None:
        """A whole transmission is a step: request, response, data."""
        if on.sender == self.spec.asks:
            self._request(on, heard)
        elif self.phase == "asked":
            self._response(on, heard)
        elif self.phase == "answered":
            self.phase = "idle"
            strange = any(block.name != DATA for block in on.taken)
            self._tell("step", on.sender, heard, "a handshake block among the data" if strange else "")
            if not strange:
                on.taken[-1].since = self._request_at.began
                self._tell("text", parse(b"".join(block.item.data for block in on.taken)), on.taken[-1])
        elif self.phase == "idle":
            self._tell("step", on.sender, heard, "it sends, and nobody asked")

    def _request(self, on: Transmission, heard: Heard) -> None:
        why = _misfit(on, self.spec.parse_request)
        self._tell("step", on.sender, heard, why)
        self.asked_for = "" if why else self.spec.parse_request(on.taken[0].item.data)["operation"]
        self.phase = "asked"
        end = heard.end + self.spec.limits["silence"].high
        self.judge.at(end + self.judge.doubt(self.spec.name, heard.end, end), self._too_late, on, heard)
        self._request_at = on

    def _too_late(self, on: Transmission, heard: Heard) -> None:
        if self.phase == "asked" and self._request_at is on and self.on is None:
            self._tell("step", self.spec.answers, heard, "no response follows this request")

    def _response(self, on: Transmission, heard: Heard) -> None:
        why = _misfit(on, self.spec.parse_response)
        result = None if why else self.spec.parse_response(on.taken[0].item.data)["result"]
        if not why and self.asked_for == "R" and result != self.spec.good:
            why = f"it refuses to be read ({result})"
        self._tell("step", on.sender, heard, why)
        self.phase = "answered" if result == self.spec.good else "idle"


def _misfit(on: Transmission, parsed) -> str:
    """Why this is no single good handshake block; "" if it is one."""
    if len(on.taken) != 1 or on.taken[0].name != HEAD:
        return "expected one handshake block"
    try:
        parsed(on.taken[0].item.data)
    except Misfit as misfit:
        return str(misfit)
    return ""
