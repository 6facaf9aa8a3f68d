"""Limits of a protocol file: each written once, with its source and how sure we are of it."""

import re
from decimal import Decimal
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_SECOND

_UNITS = {"us": (1_000_000, "ms"), "ms": (1_000, "ms"), "s": (1, "s"), "min": (None, "s")}
_AMOUNT = re.compile(r"(-?\d+(?:\.\d+)?) ?(us|ms|s|min|%|words|bytes|tries|events)?$")


class Limit(NamedTuple):
    """One limit. Times are ticks; `scale` makes a value readable: `value / scale` in `unit`."""

    name: str
    low: int | float | None
    high: int | float | None
    nominal: int | float | None
    unit: str
    scale: int
    says: str
    source: str
    confidence: str  # A certain, B fairly certain, C check against the published text

    def shown(self, value) -> float:
        """A measured value in the limit's unit."""
        return value / self.scale

    @property
    def text(self) -> str:
        """The limit for people, e.g. "at most 5 ms"."""
        low, high = (None if v is None else f"{self.shown(v):g}" for v in (self.low, self.high))
        if low is not None and high is not None:
            return f"{low} to {high} {self.unit}"
        return f"at most {high} {self.unit}" if high is not None else f"at least {low} {self.unit}"


def parse_limit(name: str, table: dict, place: str) -> Limit:
    """Read `[limits.NAME]`: min, max, nominal as "5 ms"; says, source, confidence."""
    if not isinstance(table, dict):
        raise UsageError(f"{place}: expected a table with min or max, says, source, confidence, not {table!r}")
    known = {"min", "max", "nominal", "says", "source", "confidence"}
    if unknown := set(table) - known:
        raise UsageError(f"{place}: unknown key {sorted(unknown)[0]!r} (known: {', '.join(sorted(known))})")
    if not {"source", "confidence", "says"} <= set(table) or not {"min", "max"} & set(table):
        raise UsageError(f"{place}: a limit needs min or max, and says, source, confidence")
    for key in ("says", "source", "confidence"):
        if not isinstance(table[key], str):
            raise UsageError(f"{place}.{key}: expected a text, not {table[key]!r}")
    if table["confidence"] not in ("A", "B", "C"):
        raise UsageError(f"{place}.confidence: expected A, B or C, not {table['confidence']!r}")
    units, values = set(), {}
    for key in ("min", "max", "nominal"):
        if key in table:
            values[key], unit, scale = _amount(table[key], f"{place}.{key}")
            units.add((unit, scale))
    if len(units) != 1:
        raise UsageError(f"{place}: min, max and nominal must have one unit")
    unit, scale = units.pop()
    return Limit(name, values.get("min"), values.get("max"), values.get("nominal"), unit, scale,
                 table["says"], table["source"], table["confidence"])


def _amount(text, place: str) -> tuple[int | float, str, int]:
    m = _AMOUNT.match(str(text))
    if not m:
        raise UsageError(f'{place}: expected an amount such as "5 ms", "60 s" or "4 tries", not {text!r}')
    number, unit = Decimal(m[1]), m[2] or ""
    if unit not in _UNITS:
        return (int(number) if number == int(number) else float(number)), unit, 1
    seconds = number * 60 if unit == "min" else number / _UNITS[unit][0]
    shown = _UNITS[unit][1]
    return int(seconds * TICKS_PER_SECOND), shown, TICKS_PER_SECOND // (1000 if shown == "ms" else 1)
