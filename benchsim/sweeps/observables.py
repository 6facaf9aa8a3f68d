"""What can be observed of a machine, as named values in few buckets. `observe.py` finds them in a run.

Each belongs to a way of looking, which costs minutes: whoever stands at a machine sees the screen for nothing
and records the payment bus only if it is worth it. Minutes are common practice.
"""

from typing import NamedTuple


class Look(NamedTuple):
    """A way of looking: the first part of the names of what it shows."""

    name: str
    says: str
    minutes: float


LOOKS = {
    look.name: look
    for look in (
        Look("screen", "watch the screen during a visit", 1),
        Look("lights", "look at the lights of changer, validator and reader", 1),
        Look("sale", "test sales by coin, bill and card, and the return lever", 4),
        Look("device", "the device list on the service page", 1),
        Look("survey", "a survey of the coils on the service page", 2),
        Look("counters", "the board's counters and the time on the service page", 1),
        Look("cold", "a thermometer in the compartment, a hand at the evaporator", 3),
        Look("audit", "read the audit port", 3),
        Look("panel", "record the touch panel's line", 6),
        Look("kit", "record the link between board and computer", 8),
        Look("bus", "record the payment bus through an isolated adapter", 15),
        Look("rule", "judge a recording of all links", 20),
    )
}


def look_of(observable: str) -> Look:
    """The way of looking that shows an observable."""
    return LOOKS[observable.partition(".")[0]]


def share(part: int, whole: int) -> str | None:
    """How much of it; None of nothing."""
    if not whole:
        return None
    if part in (0, whole):
        return "none" if part == 0 else "all"
    return next(name for most, name in ((0.02, "few"), (0.15, "some"), (0.6, "many"), (2, "most")) if part / whole < most)


def count(number: int) -> str:
    """How often."""
    return next(name for most, name in ((1, str(number)), (3, "2 or 3"), (9, "4 to 9"), (10**9, "10 or more")) if number <= most)


def yes(is_so: bool) -> str:
    """Is it so?"""
    return "yes" if is_so else "no"
