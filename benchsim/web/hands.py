"""What a person can do at the machine that the page draws. Each act has a name, and whole numbers as values.

Values come from a browser, so each is held against its range before anything is touched.
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.live import hands

MOST_FUNDS = 60_000  # minor units


class Act(NamedTuple):
    """One act: who has to be simulated for it, the range of each of its values, and what it does."""

    seat: str
    ranges: Callable[["object"], list[range]]
    does: Callable[..., str]


def act(bench, name: str, values: list[int]) -> str:
    """Do it. Returns a line to tell; UsageError says what was expected."""
    if name not in ACTS:
        raise UsageError(f"{name!r}: no such act, expected one of {', '.join(ACTS)}")
    one = ACTS[name]
    if _who(bench, one.seat) is None:
        raise UsageError(f"{name}: no {one.seat} is simulated at this bench")
    ranges = one.ranges(bench)
    fits = len(values) == len(ranges) and all(type(v) is int and v in r for v, r in zip(values, ranges, strict=True))
    if not fits:
        expected = ", ".join(f"{r.start} to {r.stop - 1}" for r in ranges) or "no value"
        raise UsageError(f"{name}: expected {expected}")
    return one.does(bench, *values)


def _who(bench, seat: str):
    return bench.devices.get(seat) or getattr(bench, seat, None)


def coins(bench) -> list[tuple[int, int]]:
    """(type, value) of each coin that can be put in, by value."""
    return _money_in(bench.devices.get("changer"))


def bills(bench) -> list[tuple[int, int]]:
    """(type, value) of each bill that can be put in, by value."""
    return _money_in(bench.devices.get("validator"))


def _money_in(device) -> list[tuple[int, int]]:
    return sorted(((i, device.value(i)) for i in range(16) if device.value(i)), key=lambda one: one[1]) if device else []


def _cells(bench) -> list[range]:
    return [range(bench.settings.rows), range(bench.settings.columns)]


def _nothing(bench) -> list[range]:
    return []


ACTS: dict[str, Act] = {
    "coin": Act("changer", lambda bench: [range(16)], hands.coin),
    "bill": Act("validator", lambda bench: [range(16)], hands.bill),
    "card": Act("cashless1", lambda bench: [range(hands.UNKNOWN, MOST_FUNDS + 1)], hands.card),
    "card away": Act("cashless1", _nothing, hands.card_away),
    "lever": Act("changer", _nothing, hands.lever),
    "tap": Act("panel", _cells, hands.tap),
    "door": Act("board", lambda bench: [range(2)], hands.door),
    "service": Act("board", _nothing, hands.button),
    "audit": Act("auditor", _nothing, hands.audit),
}


def selection(row: int, column: int) -> str:
    """What stands on the door beside a coil: a letter for the tray, a number from 1 for the place."""
    return f"{chr(ord('A') + row)}{column + 1}"
