"""How bodies become frames: the `[framing]` of a link's protocol file, and its check.

    style = "flags"     byte-stuffed, between flags (RFC 1662 §4.2)        flag, escape, flip
    style = "length"    start bytes, a count, the body, its check, end bytes   length, order, counts, start, end
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.check import Check
from benchsim.schema.word import only

PARTS = ("start", "length", "body", "check", "end")


class Flags(NamedTuple):
    """Byte-stuffed frames between flags (RFC 1662 §4.2)."""

    flag: int
    escape: int
    flip: int


class Counted(NamedTuple):
    """Frames that say their length. `start` and `end` may be empty: then only silence tells where a frame begins."""

    start: bytes
    end: bytes
    size: int  # bytes of the count
    order: str
    extra: int  # what the count holds beside the body, bytes

    @property
    def head(self) -> int:
        """Bytes before the body."""
        return len(self.start) + self.size

    def length_of(self, head: bytes) -> int:
        """Bytes of the body, from the bytes before it."""
        return int.from_bytes(head[len(self.start) : self.head], self.order) - self.extra


def parse_framing(table: dict, place: str, check: Check) -> Flags | Counted:
    """Read `[framing]`."""
    only(table, place, {"style"}, None)
    style = table["style"]
    if not isinstance(style, str) or style not in _STYLES:
        raise UsageError(f"{place}.style: expected one of {', '.join(_STYLES)}, not {style!r}")
    return _STYLES[style](table, place, check)


def _flags(table: dict, place: str, check: Check) -> Flags:
    only(table, place, {"style", "flag", "escape", "flip"})
    flags = Flags(*(_byte(table[key], f"{place}.{key}") for key in ("flag", "escape", "flip")))
    if flags.flag == flags.escape or flags.flip in (0, flags.flag ^ flags.escape):
        raise UsageError(f"{place}: flag, escape and flip: an escaped byte could be taken for a flag")
    if check.covers != ("body",):
        raise UsageError(f"{place}: with style flags the check covers the body, not {', '.join(check.covers)}")
    return flags


def _counted(table: dict, place: str, check: Check) -> Counted:
    only(table, place, {"style", "length"}, {"order", "counts", "start", "end"})
    if table["length"] not in ("u1", "u2"):
        raise UsageError(f'{place}.length: expected "u1" or "u2", not {table["length"]!r}')
    size, order = int(table["length"][1]), table.get("order", "big")
    if order not in ("little", "big"):
        raise UsageError(f'{place}.order: expected "little" or "big", not {order!r}')
    start, end = (_bytes(table.get(key, []), f"{place}.{key}") for key in ("start", "end"))
    counts = table.get("counts", ["body"])
    if not isinstance(counts, list) or "body" not in counts or not all(part in PARTS for part in counts):
        raise UsageError(f"{place}.counts: expected some of {', '.join(PARTS)}, the body among them, not {counts!r}")
    sizes = {"start": len(start), "length": size, "body": 0, "check": check.size, "end": len(end)}
    return Counted(start, end, size, order, sum(sizes[part] for part in set(counts)))


def _byte(value, place: str) -> int:
    if type(value) is not int or not 0 <= value <= 0xFF:
        raise UsageError(f"{place}: expected a byte, 0x00 to 0xFF, not {value!r}")
    return value


def _bytes(values, place: str) -> bytes:
    if not isinstance(values, list):
        raise UsageError(f"{place}: expected a list of bytes such as [0x02], not {values!r}")
    return bytes(_byte(value, place) for value in values)


_STYLES = {"flags": _flags, "length": _counted}
