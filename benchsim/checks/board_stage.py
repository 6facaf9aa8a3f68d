"""What a case does around a board under test: customers act, devices answer badly, cables are cut.

The stage sees what a host and devices see, never into the board, so that the same case plays against a real
one. What only a hand at the board can do (its door, its supply, the coils) is done to a simulated one and
asked of a person at a real one.
"""

from collections.abc import Callable

from benchsim.checks.board_asker import KitAsker
from benchsim.checks.stage import HAND, NotReached, Stage
from benchsim.events import TICKS_PER_MS, Burst, ticks
from benchsim.links.kit_frames import reader_of
from benchsim.schema.bus import answer_words
from benchsim.schema.fields import Misfit

READY_WITHIN = 20.0  # seconds for a board under test to start all its devices
SALE, VENDING = 3, 4  # states in the answer to POLL, kit link reference
DELIVERED = 0  # outcome of VEND-DONE, kit link reference
PAYERS = ("changer", "validator", "cashless1")
# Rules that nothing can put to the test where the board is real, and why.
CANNOT_SEE = {
    "SYS-ONE-COIL": "the bench does not see the coils of a real board",
    "SYS-DOOR": "the bench does not see the door and the coils of a real board",
    "SYS-COLD": "the bench does not see into the compartment of a real board",
}
Words = tuple[int, ...]
# What a trick says in place of an answer: words, or None for nothing.
Change = Callable[[Words], Words | None]


class Ear:
    """A listener: what the board tells the host."""

    def __init__(self, spec):
        self.spec, self.reader = spec, reader_of(spec)
        self.state = self.credit = None
        self.events: list = []  # each once
        self._seen: list[tuple] = []

    def burst(self, burst: Burst) -> None:
        """Words of the board."""
        if burst.link != self.spec.name or burst.out:
            return
        for frame in self.reader.feed(burst):
            if not frame.broken:
                self._frame(frame.body)

    def happening(self, happening) -> None:
        """Off the links nothing is listened to."""

    def forget(self) -> None:
        """The board starts anew: its events may have numbers and contents that were heard before."""
        self._seen.clear()

    def _frame(self, body: bytes) -> None:
        try:
            answer = self.spec.parse_answer(body)
        except (Misfit, IndexError):
            return
        if answer.name != "POLL" or answer.status:
            return
        self.state, self.credit = answer.fields["state"], answer.fields["credit"]
        for event in answer.fields["events"]:
            key = event.number, event.code, event.raw
            if event.name == "BOOTED" and key not in self._seen:
                self._seen.clear()
            if key not in self._seen:
                self._seen = [*self._seen, key][-64:]
                self.events.append(event)

    def ended(self, outcome: int | None = None) -> int:
        """How many vends have ended, with that outcome or any."""
        return sum(e.name == "VEND-DONE" and outcome in (None, e.fields["outcome"]) for e in self.events)


class BoardStage(Stage):
    """Every device and the host are simulated; the board may be real."""

    def __init__(self, bench, person=None, switch=None):
        super().__init__(bench, person, switch)
        self.host = bench.host
        self.ear = Ear(bench.book.kit)
        bench.trace.listeners.append(self.ear)
        self._asker: KitAsker | None = None
        if bench.board is None:
            self.reasons |= CANNOT_SEE

    def device(self, seat: str):
        """A payment device; NotReached where the bench has none."""
        if seat not in self.bench.devices:
            raise NotReached(f"no {seat} stands on this bench")
        return self.bench.devices[seat]

    @property
    def kit(self) -> KitAsker:
        """The host's place, by hand; the simulated host is switched off at the first use."""
        if self._asker is None:
            self.host.power_off()
            self._asker = KitAsker(self.bench.book.kit, self.clock, self.bench.lines["kit"])
        return self._asker

    async def host_again(self) -> None:
        """The simulated host takes its place again, if it was taken from it, and opens the sale."""
        if self._asker is not None:
            self._asker = None
            self.host.sit()
            self.host.power_on()
        await self.on_sale()

    # ---- waiting

    async def on_sale(self) -> None:
        """Wait until the host knows the sale to be open."""
        await self.until(
            lambda: self.host.selling and self.host.state == SALE, READY_WITHIN + self.boot, "the board never opened the sale"
        )

    def takes(self, seat: str) -> bool:
        """Does the device take money now, as the board told it?"""
        device = self.device(seat)
        if seat.startswith("cashless"):
            return device.takes
        return any(device.takes(i) for i in range(16))

    async def enabled(self, *seats: str) -> None:
        """Wait until the board has started these devices (default: coins, bills and cards) and enabled them."""
        for seat in seats or PAYERS:
            self.device(seat)
            within = READY_WITHIN + self.boot
            await self.until(lambda seat=seat: self.takes(seat), within, f"the {seat} was never enabled")

    async def credit(self, amount: int) -> None:
        """Wait until the host knows of at least so much credit."""
        await self.until(lambda: self.host.credit >= amount, 8.0, "the money put in never became credit")
        await self.sleep(0.4)

    async def vending(self) -> None:
        """Wait until the board tells that it vends."""
        await self.until(lambda: self.ear.state == VENDING, 6.0, "the board never began to vend")

    async def sold(self, vends: int = 1) -> None:
        """Wait until so many products were delivered."""
        await self.until(lambda: self.ear.ended(DELIVERED) >= vends, 8.0, "nothing was delivered after the tap")

    async def ended(self, vends: int = 1) -> None:
        """Wait until so many vends are over, delivered or not."""
        await self.until(lambda: self.ear.ended() >= vends, 15.0, "the vend never ended")

    # ---- customers

    def taken(self, seat: str) -> list[int]:
        """Types of coin or bill that are taken now, the smallest first; NotReached where there is none."""
        device = self.device(seat)
        types = sorted((i for i in range(16) if device.takes(i)), key=device.value)
        if not types:
            raise NotReached(f"the {seat} takes no money now")
        return types

    def coin(self) -> None:
        """Put in one coin, the most valuable that is taken and not over 100 (or the next above)."""
        changer, types = self.device("changer"), self.taken("changer")
        changer.insert(next((i for i in reversed(types) if changer.value(i) <= 100), types[0]))

    def small_bill(self) -> int:
        """Put in the smallest bill that is taken. Returns its type."""
        bill = self.taken("validator")[0]
        self.device("validator").insert(bill)
        return bill

    async def coins(self, amount: int) -> None:
        """Put coins in until the host knows of so much credit."""
        await self.enabled("changer")
        for _ in range(40):
            if self.host.credit >= amount:
                break
            await self.until(lambda: self.takes("changer"), 3.0, "the changer takes no coin")
            self.coin()
            await self.sleep(0.7)
        await self.credit(amount)

    async def bill(self) -> None:
        """Put the smallest bill in, and wait for its credit."""
        await self.enabled("validator")
        before = self.host.credit
        await self.credit(before + self.device("validator").value(self.small_bill()))

    async def card(self, funds: int | None, seat: str = "cashless1") -> None:
        """Hold a card to a reader, and wait until the host knows of it."""
        await self.enabled(seat)
        before = self.host.credit
        self.device(seat).card(funds)
        await self.until(lambda: self.host.credit > before, 8.0, "the card's session never became credit")
        await self.sleep(0.4)

    def tap(self, row: int = 0, column: int = 0) -> None:
        """Tap a selection on the panel."""
        self.bench.panel.tap(row, column, self.host.rows, self.host.columns)

    def price(self, row: int = 0, column: int = 0) -> int:
        """The price that the host has sent."""
        return self.host.table()[row * self.host.columns + column]

    # ---- spoilt answers of devices

    def spoil(self, seat: str, times: int, change: Change, name: str | None = None, data: bool = False,
              delay_ms: float | None = None) -> None:  # fmt: skip
        """The next answers of a device (to the command `name`; with `data`: only data) go out changed; with
        `delay_ms` they begin that long after the command's end."""
        device = self.device(seat)
        left = [times]

        def trick(answered: str, words: Words, at: int):
            if (name and answered != name) or (data and len(words) == 1):
                return None
            left[0] -= 1
            if left[0] <= 0:
                device.bus.tricks.remove(trick)
            when = at if delay_ms is None else self.clock.now() + round(delay_ms * TICKS_PER_MS)
            said = change(words)
            return lambda: said is not None and device.line.say(seat, said, when)

        device.bus.tricks.insert(0, trick)

    def tell(self, seat: str, *data: bytes) -> None:
        """In place of ACK to the next POLLs the device tells these, one after another."""
        waiting = list(data)
        device = self.device(seat)

        def trick(answered: str, words: Words, at: int):
            if answered != "POLL" or len(words) > 1:
                return None
            said = answer_words(waiting.pop(0))
            if not waiting:
                device.bus.tricks.remove(trick)
            return lambda: device.line.say(seat, said, at)

        device.bus.tricks.insert(0, trick)

    def talk_over(self, seat: str, other: str) -> None:
        """With the next answer of one device another one talks at the same time."""

        def both(words: Words) -> Words:
            self.bench.lines["bus"].say(other, words, self.clock.now() + ticks(0.0012))
            return words

        self.spoil(seat, 1, both, "POLL")

    async def cut_harness(self, seconds: float) -> None:
        """The bus cable is out for so long: neither side hears the other."""
        line = self.bench.lines["bus"]

        def nothing_of_devices(burst: Burst) -> Burst | None:
            return burst if burst.out else None

        seats = sorted(self.bench.devices)
        line.hurts.append(nothing_of_devices)
        line.deaf.update(seats)
        await self.sleep(seconds)
        line.deaf.difference_update(seats)
        line.hurts.remove(nothing_of_devices)

    # ---- what only a hand at the board can do

    async def hand(self, words: str, act: Callable) -> None:
        """`act(bench)` at a simulated board; at a real one a person is asked to do what `words` say."""
        if self.bench.board is not None:
            act(self.bench)
        elif self.person:
            self.person(words)
            await self.sleep(HAND)
        else:
            raise NotReached(f"this case needs a hand at the board: {words}")

    async def door(self, is_open: bool) -> None:
        """The door."""
        await self.hand("Open the door" if is_open else "Close the door", lambda bench: bench.board.door(is_open))

    async def power(self, on: bool) -> None:
        """The board's supply."""
        if self.bench.board is None and await self.supply("board", on):
            return
        await self.hand(
            f"Switch the board {'on' if on else 'off'}",
            lambda bench: bench.board.power_on() if on else bench.board.power_off(),
        )

    async def button(self) -> None:
        """The service button behind the open door."""
        await self.hand("Push the service button", lambda bench: bench.door.press())

    async def nothing_falls(self, row: int = 0, column: int = 0) -> None:
        """That coil is empty."""
        await self.hand(
            f"Empty the coil in row {row}, column {column}", lambda bench: bench.coils.empty.add((row, column))
        )

    async def coil_jams(self, row: int = 0, column: int = 0) -> None:
        """That coil does not turn."""
        await self.hand(
            f"Hold the coil in row {row}, column {column}", lambda bench: bench.coils.jammed.add((row, column))
        )


# ---- ways to spoil the words of an answer


def lost(words: Words) -> None:
    """Nothing is said."""


def corrupt(words: Words) -> Words:
    """One data bit of the first word is wrong (an ACK becomes neither ACK nor NAK)."""
    return (words[0] ^ 0x10, *words[1:])


def no_mode(words: Words) -> Words:
    """The last word has no mode bit."""
    return (*words[:-1], words[-1] & 0xFF)


def early_mode(words: Words) -> Words:
    """Every word has a mode bit."""
    return tuple(word | 0x100 for word in words)


def cut_short(words: Words) -> Words | None:
    """Only the first half is said, without its end; of a single word nothing."""
    return words[: len(words) // 2] or None


def one_too_many(words: Words) -> Words:
    """One data byte more than the answer has, with the right checksum."""
    body = bytes(word & 0xFF for word in words[:-1]) if len(words) > 1 else b""
    return answer_words(body + b"\x1a")


def as_it_is(words: Words) -> Words:
    """Nothing is changed (but its time)."""
    return words


def bare_nak(words: Words) -> Words:
    """NAK in place of any answer."""
    return (0x1FF,)
