"""When faults are there: at a moment, for a while, every so often, until some time.

    CARD[:NAME=VALUE,…][@SECONDS][+FOR]      coil-jammed:row=2,column=3   bus-noise@10+5

and in a bench file

    [[fault]]
    card = "kit-bytes-lost"
    at = 10               # seconds from power-on; 0: it is there before anything starts
    for = 5               # else to the end
    every = 30            # again so long after each beginning …
    until = 120           # … and no more from here on
    with = { rate = 0.02 }
"""

import re
from collections.abc import Iterable
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.faults.cards import Card, card
from benchsim.faults.mechanism import Site, Undo
from benchsim.schema import load_book

_FORM = re.compile(r"([a-z0-9-]+)(?::([a-z_]+=[^@+,]+(?:,[a-z_]+=[^@+,]+)*))?(?:@(\d+(?:\.\d+)?))?(?:\+(\d+(?:\.\d+)?))?")
_KEYS = {"card": str, "at": (int, float), "for": (int, float), "every": (int, float), "until": (int, float), "with": dict}
LONGEST = 1e8  # seconds
SHORTEST = 0.01  # seconds from beginning to beginning
OF_THE_BOARD = ("coils", "door", "cold")  # a real board brings its own
PARTS = ("board", "host", "panel", "auditor", "coils", "door", "cold", "supply")  # beside lines and devices


class Fault(NamedTuple):
    """One card, laid at a bench. Seconds from power-on."""

    card: Card
    chosen: dict  # parameters that differ from the card's defaults
    at: float = 0.0
    lasts: float | None = None  # None: to the end
    every: float | None = None
    until: float | None = None

    @property
    def values(self) -> dict:
        """All that the mechanism is given."""
        return self.card.values(self.chosen)

    @property
    def needs(self) -> tuple[str, ...]:
        """Links, seats and "coils" that must be simulated."""
        return self.card.mechanism.needed(self.values)

    @property
    def text(self) -> str:
        """As it can be written."""
        chosen = ",".join(f"{name}={value}" for name, value in self.chosen.items())
        at = f"@{self.at:g}" if self.at else ""
        return self.card.id + (f":{chosen}" if chosen else "") + at + ("" if self.lasts is None else f"+{self.lasts:g}")

    def there(self, now: float) -> bool:
        """Does it last at that moment?"""
        since = now - self.at
        if since < 0:
            return False
        if self.every:
            last = since // self.every * self.every + self.at
            if self.until is not None and last >= self.until:
                return False
            since = now - last
        return self.lasts is None or since < self.lasts

    def as_toml(self) -> str:
        """The table of a bench file."""
        lines = ["[[fault]]", f'card = "{self.card.id}"', f"at = {self.at:g}"]
        told = (("for", self.lasts), ("every", self.every), ("until", self.until))
        lines += [f"{key} = {value:g}" for key, value in told if value is not None]
        if self.chosen:
            inside = ", ".join(f"{k} = {repr(v) if not isinstance(v, str) else chr(34) + v + chr(34)}" for k, v in self.chosen.items())
            lines.append(f"with = {{ {inside} }}")
        return "\n".join(lines) + "\n"


def parse_fault(text: str, settings) -> Fault:
    """The words of --fault. UsageError says what was expected."""
    place = f"--fault {text}"
    found = _FORM.fullmatch(text)
    if not found:
        raise UsageError(f"{place}: expected CARD, CARD@SECONDS or CARD:NAME=VALUE@SECONDS+FOR (list: benchsim faults)")
    name, given, at, lasts = found.groups()
    one = card(name, place)
    chosen = {}
    for pair in given.split(",") if given else ():
        key, _, value = pair.partition("=")
        chosen[key] = one.parameters[key].parse(value) if key in one.parameters else value
    fault = Fault(one, one.checked(chosen, settings, place), float(at or 0), float(lasts) if lasts else None)
    _fits(fault, settings, place)
    return fault


def faults_of_file(tables: object, settings, path: str) -> list[Fault]:
    """The [[fault]] tables of a bench file."""
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        raise UsageError(f"{path}: fault: expected tables, each begun with [[fault]]")
    return [_of_table(one, settings, f"{path}: fault {number}") for number, one in enumerate(tables, 1)]


def _of_table(table: dict, settings, place: str) -> Fault:
    for key, value in table.items():
        if key not in _KEYS:
            raise UsageError(f"{place}: unknown key {key}, expected one of {', '.join(_KEYS)}")
        if isinstance(value, bool) or not isinstance(value, _KEYS[key]):
            kinds = {str: "a text", dict: "a table"}
            raise UsageError(f"{place}: {key}: expected {kinds.get(_KEYS[key], 'seconds')}, not {value!r}")
        if _KEYS[key] == (int, float) and not 0 <= value <= LONGEST:
            raise UsageError(f"{place}: {key}: expected seconds from 0 to {LONGEST:g}, not {value!r}")
    if "card" not in table:
        raise UsageError(f"{place}: expected a card")
    one = card(table["card"], place)
    if table.get("every") is not None and not table.get("for", 0) < table["every"]:
        raise UsageError(f"{place}: every: expected more than for = {table.get('for', 0):g}")
    if table.get("every") is not None and table["every"] < SHORTEST:
        raise UsageError(f"{place}: every: expected {SHORTEST:g} s or more, not {table['every']!r}")
    fault = Fault(one, one.checked(table.get("with", {}), settings, place), float(table.get("at", 0)), table.get("for"),
                  table.get("every"), table.get("until"))  # fmt: skip
    if fault.every is not None and fault.lasts is None:
        raise UsageError(f"{place}: every: expected for with it")
    _fits(fault, settings, place)
    return fault


def _fits(fault: Fault, settings, place: str) -> None:
    for need in fault.needs:
        if need in load_book().bus_seats and not settings.fitted(need):
            raise UsageError(f"{place}: no {need} stands on this bench ([seats.{need}] fitted = true)")


def refuse_real(faults: Iterable[Fault], real: Iterable[str]) -> None:
    """Nothing can be done to a real thing. UsageError names the first fault that would have to."""
    for fault in faults:
        for need in fault.needs:
            seat = "board" if need in OF_THE_BOARD else need
            if seat in real:
                raise UsageError(f"fault {fault.text}: the {seat} is real, expected faults of simulated seats and of links")


class Laid:
    """A fault at a bench: begun and ended by the clock, and told as it is."""

    def __init__(self, fault: Fault, bench, number: int):
        self.fault, self.bench = fault, bench
        self._site = Site(bench, bench.chance(f"fault {number} {fault.card.id}"))
        self._undo: Undo | None = None
        self._next(ticks(fault.at))

    def _next(self, at: int) -> None:
        fault, clock = self.fault, self.bench.clock
        if fault.until is not None and at >= ticks(fault.until):
            return
        if at <= clock.bench_time():
            self._begin()
        else:
            clock.call_far(at, self._begin)
        if fault.lasts is not None:
            clock.call_far(at + ticks(fault.lasts), self.end)
        if fault.every:
            clock.call_far(at + ticks(fault.every) - 1, self._next, at + ticks(fault.every))

    def _begin(self) -> None:
        self._told(True)
        try:
            self._undo = self.fault.card.mechanism.begin(self._site, **self.fault.values)
        except UsageError:
            self._told(False)  # it cannot be at this bench after all
            raise

    def end(self) -> None:
        """It is over."""
        self._undo()
        self._undo = None
        self._told(False)

    def _told(self, is_on: bool) -> None:
        card = self.fault.card
        self.bench.trace.happening("bench", "fault", name=card.id, on=is_on, hands=card.hands)


def lay(faults: Iterable[Fault], bench) -> None:
    """Lay every fault whose parts this bench has. Before anything has power."""
    for number, fault in enumerate(faults):
        if fits_bench(fault, bench):
            Laid(fault, bench, number)


def fits_bench(fault: Fault, bench) -> bool:
    """Has the bench all that the fault acts on?"""
    parts = {*bench.lines, *bench.devices, *(part for part in PARTS if getattr(bench, part, None))}
    return set(fault.needs) <= parts
