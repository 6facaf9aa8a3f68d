"""Word formats and small helpers that every kind of protocol file shares."""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_SECOND
from benchsim.schema.limits import Limit, parse_limit


class WordFormat(NamedTuple):
    """An asynchronous serial word: one start bit, data bits, stop bits."""

    baud: int
    data_bits: int
    stop_bits: int

    @property
    def bits(self) -> int:
        """Bit times of a whole word."""
        return 1 + self.data_bits + self.stop_bits

    @property
    def ticks(self) -> int:
        """Length of a word at the nominal rate, ticks."""
        return self.bits * TICKS_PER_SECOND // self.baud


def only(table: dict, place: str, required: set[str], optional: set[str] | None = frozenset()) -> None:
    """UsageError for a key that is unknown or lacking; `place` names the file and the table. `optional` None: any."""
    if not isinstance(table, dict):
        raise UsageError(f"{place}: expected a table, not {table!r}")
    if optional is not None and (unknown := set(table) - required - optional):
        known = ", ".join(sorted(required | optional))
        raise UsageError(f"{place}: unknown key {sorted(unknown)[0]!r} (known: {known})")
    if lacking := required - set(table):
        raise UsageError(f"{place}: the key {sorted(lacking)[0]!r} is missing")


def parse_word(table: dict, place: str) -> WordFormat:
    """Read `[word]`; its length must be whole in ticks."""
    only(table, place, {"baud", "data_bits"}, {"stop_bits"})
    word = WordFormat(table["baud"], table["data_bits"], table.get("stop_bits", 1))
    if type(word.baud) is not int or word.baud <= 0 or word.data_bits not in (7, 8, 9):
        raise UsageError(f"{place}: expected a baud rate and 7, 8 or 9 data bits")
    if type(word.stop_bits) is not int or word.stop_bits not in (1, 2):
        raise UsageError(f"{place}.stop_bits: expected 1 or 2, not {word.stop_bits!r}")
    if TICKS_PER_SECOND % word.baud:
        raise UsageError(f"{place}.baud: {word.baud} does not divide the bench's clock of {TICKS_PER_SECOND} Hz")
    return word


def parse_limits(table: dict, place: str) -> dict[str, Limit]:
    """Read every `[limits.NAME]`."""
    return {name: parse_limit(name, one, f"{place}.{name}") for name, one in table.items()}
