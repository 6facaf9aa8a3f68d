"""What plans are made of: a plan has cases, a case is a coroutine over a stage.

The same case runs in virtual time and against real ports. A stage knows how to provoke its subject;
`host_stage`, `board_stage` and `device_stage` each know one kind.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from benchsim.events import ticks


SUPPLY = "supply"
HAND = 10.0  # seconds that a person gets to do what was asked
BOOT = 180.0  # seconds that a real computer may take to be there again, once its supply was switched


class NotReached(Exception):
    """The bench never came to the point where the case could provoke anything."""


class Case(NamedTuple):
    """One case of a plan.

    `needs`: links that the subject must be on. `hands`: at a real device a person has to act; SUPPLY: only to switch
    it off and on, which a power switch does too. `seats`: settings of simulated seats for this case, over those of the
    bench file.
    """

    name: str
    provokes: str
    needs: tuple[str, ...]
    play: Callable
    hands: bool | str = False
    seats: dict[str, dict] = {}  # noqa: RUF012


class Cases(dict[str, Case]):
    """Cases by name, in order. `needs`: links that all of them need."""

    def __init__(self, *needs: str):
        super().__init__()
        self.needs = needs

    def case(self, name: str, provokes: str, *more: str, **settings) -> Callable:
        """Register a coroutine over a stage. `more`: links that it needs beside; `settings`: see `Case`."""

        def register(play):
            self[name] = Case(name, provokes, (*self.needs, *more), play, **settings)
            return play

        return register


class Variant(NamedTuple):
    """A seat that differs from the good one. `rule` must catch it in `case`; with no rule it is legal but
    odd, and nothing may fail, in that case or (None) in any case of its plan.
    """

    make: type
    seat: str
    case: str | None
    rule: str | None = None

    @property
    def title(self) -> str:
        """For people: name, case and what it does."""
        where = f" in {self.case}" if self.case else ""
        return f"{self.make.__name__}{where}: {' '.join((self.make.__doc__ or '').split())}"


class Plan(NamedTuple):
    """All cases for one seat; None: nobody in particular is under test, all are judged.

    `alone`: only the subject and our master are on the bus. `links`: where a real subject can be reached.
    """

    seat: str | None
    cases: dict[str, Case]
    stage: type["Stage"]
    links: tuple[str, ...] = ()
    variants: tuple[Variant, ...] = ()
    alone: bool = False


class Stage:
    """One case being played. `person` asks somebody to act at a real device; None: there is nobody. `switch`
    switches the supply of a real subject (see `ports.power`); None: nothing does.
    """

    def __init__(self, bench, person: Callable[[str], None] | None = None, switch: Callable | None = None):
        self.bench, self.clock, self.person, self._switch = bench, bench.clock, person, switch
        self.boot = 0.0  # seconds to wait longer for a subject whose supply was switched
        self.notes: list[str] = []
        self.reasons: dict[str, str] = {}  # rule -> why it could not be put to the test

    def note(self, text: str) -> None:
        """Something that the reader of the report should know of this case."""
        self.notes.append(text)

    @contextmanager
    def fault(self, name: str, hands: bool = False) -> Iterator[None]:
        """Tell that something is wrong meanwhile. `hands`: hands must mend it."""
        for is_on in (True, False):
            self.bench.trace.happening("bench", "fault", name=name, on=is_on, hands=hands)
            if is_on:
                yield

    async def supply(self, seat: str, on: bool) -> bool:
        """Switch a real subject's supply. False: nothing here can do it."""
        if self._switch is None:
            return False
        if on:  # told before: it may speak before the command has ended, and until then when it is switched off
            self.bench.trace.happening(seat, "power", on=True, cause=0)
        if failed := await self._switch(on):
            raise NotReached(failed)
        if not on:
            self.bench.trace.happening(seat, "power", on=False, cause=0)
        self.boot = BOOT
        return True

    async def sleep(self, seconds: float) -> None:
        """Let bench time pass."""
        await self.clock.sleep(seconds)

    async def until(self, holds: Callable[[], bool], within: float, what: str) -> None:
        """Wait until something holds; NotReached with `what` if it does not in time (bench seconds)."""
        end = self.clock.now() + ticks(within)
        while not holds():
            if self.clock.now() >= end:
                raise NotReached(what)
            await self.clock.sleep(0.02)
