"""The settings of a simulated device: a default, what may stand there, what it means. A table, so that it can be
checked and printed.

    "scaling": Setting(5, whole(1, 255), "minor units in one unit of credit"),
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.errors import UsageError


class Kind(NamedTuple):
    """What may stand in a setting."""

    says: str  # for people, after "expected"
    fits: Callable[[object], bool]


class Setting(NamedTuple):
    """One row of a device's table."""

    default: object
    kind: Kind
    means: str


def _is_whole(value, low: int, high: int) -> bool:
    return type(value) is int and low <= value <= high  # bool is an int to isinstance


def whole(low: int, high: int) -> Kind:
    """A whole number."""
    return Kind(f"a whole number from {low} to {high}", lambda value: _is_whole(value, low, high))


def wholes(most: int, low: int, high: int) -> Kind:
    """A list of whole numbers."""
    return Kind(
        f"at most {most} whole numbers from {low} to {high}",
        lambda value: type(value) is list and len(value) <= most and all(_is_whole(one, low, high) for one in value),
    )


def period(low: float = 0) -> Kind:
    """A time in seconds."""
    return Kind(
        f"seconds, {low:g} or more",
        lambda value: type(value) in (int, float) and low <= value < float("inf"),
    )


def one_of(*choices) -> Kind:
    """One of a few values."""
    said = ", ".join(repr(one) if isinstance(one, str) else str(one) for one in choices)
    return Kind(f"one of {said}", lambda value: any(type(value) is type(one) and value == one for one in choices))


def some_of(*choices: str) -> Kind:
    """A list of names."""
    return Kind(
        f"a list of any of {', '.join(map(repr, choices))}",
        lambda value: type(value) is list and all(type(one) is str and one in choices for one in value),
    )


def _is_currency(value) -> bool:
    return type(value) is str and len(value) == 4 and value.isascii() and value.isdigit() and value[0] in "01"


FLAG = Kind("true or false", lambda value: type(value) is bool)
TEXT = Kind("a text", lambda value: type(value) is str)
# MDB/ICP 4.3 §5: a 0 and an international dialling code, or a 1 and a numeric code of ISO 4217.
CURRENCY = Kind("four digits in quotes, the first of them 0 or 1", _is_currency)
TRIM = one_of("types", "zeros", "none")
TRIM_MEANS = 'zeros at the end of 16 values: left off from the last type on ("types"), all, or none'

_LIKE = {bool: FLAG, int: whole(0, 0xFFFFFFFF), float: period(), str: TEXT, list: wholes(255, 0, 0xFFFFFFFF)}


def defaults(table: dict[str, Setting]) -> dict:
    """Name -> default."""
    return {name: setting.default for name, setting in table.items()}


def checked(seat: str, given: dict, default: dict, table: dict[str, Setting]) -> dict:
    """All settings of a device. UsageError with seat, name and what was expected at the first that is wrong.

    A setting that has no row in the table must be of its default's type.
    """
    if unknown := sorted(set(given) - set(default)):
        raise UsageError(f"{seat}: unknown setting {unknown[0]!r} (known: {', '.join(sorted(default))})")
    for name, value in given.items():
        kind = table[name].kind if name in table else _LIKE.get(type(default[name]))
        if kind and not kind.fits(value):
            raise UsageError(f"{seat}: {name}: expected {kind.says}, not {value!r}")
    return default | given


def sixteen(values: list[int], trim: str) -> list[int]:
    """Values of the first coin or bill types, their end trimmed in one of the ways of `TRIM`."""
    if trim == "none":
        return values + [0] * (16 - len(values))
    if trim == "zeros":
        return values[: max((i + 1 for i, value in enumerate(values) if value), default=0)]
    return list(values)
