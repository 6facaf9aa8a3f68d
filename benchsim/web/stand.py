"""A bench in virtual time, at the pace its onlookers choose.

`advance(seconds of the wall)` moves it by that times the speed. A slow computer falls behind and says so; nothing at
the bench notices.
"""

from contextlib import ExitStack
from pathlib import Path
from time import perf_counter

from benchsim.bench import Bench, bench_links
from benchsim.captures import write_parts
from benchsim.clock.stepped import SteppedClock
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, seconds, ticks
from benchsim.faults import Fault, Laid, fits_bench, load_cards
from benchsim.live.recording import BOUND
from benchsim.schema import Book
from benchsim.settings import Settings
from benchsim.web import hands
from benchsim.web.picture import machine
from benchsim.web.shown import KEEP, MOMENT, Picture, Shown

NAME = "page"
SPEEDS = (0.01, 0.1, 0.5, 1.0, 2.0, 10.0, 60.0)  # bench seconds a second
SLICE = 20 * TICKS_PER_MS  # the clock is asked to go so far at once
SHARE = 0.08  # seconds of the computer that one `advance` may take


class Stand(Shown):
    """`save`: a capture file that all is written to. `close` ends it."""

    paced = True

    def __init__(self, settings: Settings, book: Book, seed: int, save: Path | None = None, keep: float = KEEP,
                 folder: Path | None = None):  # fmt: skip
        super().__init__(settings, book, keep, folder)
        self.seed, self.save = seed, save
        self._after = ExitStack()
        self._begin()
        self.cards = [card for card in load_cards().values() if fits_bench(Fault(card, {}), self.bench)]
        self.coins, self.bills = hands.coins(self.bench), hands.bills(self.bench)

    def _begin(self) -> None:
        self.clock = clock = SteppedClock()
        self.bench = bench = Bench(self.settings, self.book, clock, self.seed, NAME)
        self.listen(bench_links(self.book))
        bench.trace.listeners.append(self)
        if self.save:
            bench.trace.listeners.append(self._after.enter_context(write_parts(self.save, self.links, BOUND)))
        self._faults: dict[str, Laid] = {}  # by card, in the order in which they were switched on
        bench.power_on()
        self._second(1)
        self._moment()

    def close(self) -> None:
        """Every record is whole."""
        self.bench.trace.close()
        self._after.close()
        super().close()

    def renew(self) -> str:
        """The same bench from its power-on again, unless it is recorded. Returns what is told of it."""
        if self.save or self.recorder:
            return "a bench that is recorded is not started anew"
        self.close()
        self.paused = False
        self.moments.clear()
        self.lines.clear()
        self._begin()
        return "started anew"

    # ---- time

    def now(self) -> int:
        """Ticks of the bench."""
        return self.clock.ticks

    def advance(self, wall: float) -> None:
        """So much time has passed for those who look on, seconds."""
        if self.paused:
            return
        began, goal = perf_counter(), self.clock.now() + ticks(wall * self.speed)
        while self.clock.now() < goal:
            self.clock.advance(min(goal, self.clock.now() + SLICE))
            if perf_counter() - began > SHARE:
                break
        self.behind = self.clock.now() < goal

    def step(self, length: float) -> None:
        """Pause, and go on for so many seconds of the bench, at most 10."""
        self.paused = True
        self.clock.advance(self.clock.now() + ticks(min(max(length, 0.0), 10.0)))
        self.look()

    def step_exchange(self) -> None:
        """Pause, and go on to the end of the next burst on any link, at most a second."""
        self.paused, before = True, self.strip.first + len(self.strip.bursts)
        end = self.clock.now() + TICKS_PER_SECOND
        while self.strip.first + len(self.strip.bursts) == before and self.clock.now() < end:
            due = self.clock.next_due()
            self.clock.advance(end if due is None else min(due, end))
        self.look()

    def _second(self, number: int) -> None:
        self.watch.second()
        self.clock.call_at(ticks(number + 1), self._second, number + 1)

    def _moment(self) -> None:
        self.look()
        self.clock.call_at(self.clock.now() + MOMENT, self._moment)

    # ---- hands and faults

    def machine(self) -> Picture:
        """What there is to see of it."""
        return machine(self.bench, faults=list(self._faults))

    def do(self, name: str, *values: int) -> str:
        """One of `hands.ACTS`."""
        line = hands.act(self.bench, name, list(values))
        self.clock.advance(self.clock.now())
        return line

    def switch(self, name: str) -> str:
        """A fault card begins, with its default values, or ends."""
        card = next((one for one in self.cards if one.id == name), None)
        if card is None:
            return f"{name!r}: no such card at this bench"
        laid = self._faults.pop(name, None)
        if laid:
            laid.end()
        else:
            try:
                self._faults[name] = Laid(Fault(card, {}, at=seconds(self.clock.now())), self.bench, len(self._faults))
            except UsageError as error:
                return str(error)
        self.clock.advance(self.clock.now())
        self.look()
        return f"{card.title}: {'ended' if laid else 'begins'}"
