"""The field language of the protocol files: one line of text per field, compiled to a `construct` codec.

    "price u2"            unsigned, two bytes, high byte first
    "tenths s2"           signed
    "currency bcd2"       two bytes of packed decimal digits, as text: 1978
    "maker ascii3"        three characters, padded with spaces
    "accept bits2"        a bit mask, two bytes, as an integer
    "data hex4"           bytes, as they are
    "cause u1 0..2"       with its legal range; also "route u1 0,1,3"
    "credits u1[16]"      sixteen of them
    "credits u1[16] trim" trailing zeros may be left off
    "prices u2[n]"        as many as the earlier field n says
    "text ascii*"         all that is left; also "pairs u1*"

A byte layout is a list of such lines. Field names are unique in a layout; a field that can have any
length stands last.
"""

import re
from functools import lru_cache
from typing import ClassVar, NamedTuple

import construct as c

from benchsim.errors import UsageError

_FIELD = re.compile(
    r"(?P<name>[a-z][a-z0-9_]*) (?P<type>u|s|bcd|ascii|bits|hex)(?P<size>[1-9]\d*|\*)?"
    r"(?:\[(?P<count>\d+|[a-z_]+)\])?(?P<star>\*)?(?: (?P<trim>trim))?(?: (?P<range>[-\d.,x A-Fa-f]+))?$"
)


_TEXT = ("ascii", "hex", "bcd")  # an open field of these is one value, of the others a list


class Misfit(ValueError):
    """Bytes or values that do not fit a layout. `kind` is "length", "range", "unknown" (no such code), or "unsure"
    (they may be right: what is known of the layout, or of the codes, is not certain)."""

    def __init__(self, kind: str, text: str):
        super().__init__(text)
        self.kind = kind


class Field(NamedTuple):
    """One field of a layout. `size` is bytes of one item; `count` None = single, int, or a field's name."""

    name: str
    type: str
    size: int
    count: int | str | None
    trim: bool
    rest: bool
    legal: frozenset[int] | range | None

    @property
    def least(self) -> int:
        """Fewest bytes it can take."""
        if self.rest or self.trim or isinstance(self.count, str):
            return 0
        return self.size * (1 if self.count is None else self.count)

    @property
    def most(self) -> int:
        """Most bytes it can take."""
        if self.rest or isinstance(self.count, str):
            return 255
        return self.size * (1 if self.count is None else self.count)


class _Bcd(c.Adapter):
    def _decode(self, obj, context, path):
        return obj.hex()

    def _encode(self, obj, context, path):
        return bytes.fromhex(obj)


class _Ascii(c.Adapter):
    def _decode(self, obj, context, path):
        return obj.decode("latin-1").rstrip(" \0")

    def _encode(self, obj, context, path):
        raw = obj.encode("latin-1")
        size = getattr(self, "width", None)
        return raw if size is None else raw[:size].ljust(size)


def parse_field(line: str, place: str) -> Field:
    """Read one line of the field language. `place` names file and key in the error."""
    m = _FIELD.match(line) if isinstance(line, str) else None
    if not m:
        raise UsageError(f'{place}: expected a field such as "price u2" or "credits u1[16]", not {line!r}')
    rest = m["size"] == "*" or bool(m["star"])
    size = 1 if m["size"] in (None, "*") else int(m["size"])
    if m["size"] is None and not rest:
        raise UsageError(f"{place}: the field {line!r} lacks its size in bytes")
    count: int | str | None = m["count"]
    if count is not None and count.isdigit():
        count = int(count)
    return Field(m["name"], m["type"], size, count, bool(m["trim"]), rest, _legal(m["range"], place))


def _legal(text: str | None, place: str):
    if not text:
        return None
    try:
        if ".." in text:
            low, high = text.split("..")
            return range(int(low, 0), int(high, 0) + 1)
        return frozenset(int(part, 0) for part in text.split(","))
    except ValueError:
        raise UsageError(f'{place}: expected a range such as "0..6" or "0,1,3", not {text!r}') from None


def _item(field: Field, little: bool) -> c.Construct:
    size = None if field.rest and field.type in ("ascii", "hex", "bcd") else field.size
    raw = c.GreedyBytes if size is None else c.Bytes(size)
    match field.type:
        case "u" | "bits":
            return c.BytesInteger(field.size, swapped=little)
        case "s":
            return c.BytesInteger(field.size, signed=True, swapped=little)
        case "bcd":
            return _Bcd(raw)
        case "hex":
            return raw
        case _:
            adapter = _Ascii(raw)
            adapter.width = size
            return adapter


def _codec(field: Field, little: bool) -> c.Construct:
    item = _item(field, little)
    if field.rest:
        return item if field.type in ("ascii", "hex", "bcd") else c.GreedyRange(item)
    if field.count is None:
        return item
    if isinstance(field.count, str):
        source = field.count
        return c.Array(lambda context: context[source], item)
    return c.GreedyRange(item) if field.trim else c.Array(field.count, item)


class Layout:
    """A list of fields compiled once. Immutable; `parse` and `build` are inverse where ranges allow. `order` of the
    bytes of an integer: "big" or "little".
    """

    absent: ClassVar[dict] = {}  # what is taken for granted and not told: of a link's own wording (`kit_values`)

    def __init__(self, lines: list[str], place: str, order: str = "big"):
        if not isinstance(lines, list):
            raise UsageError(f'{place}: expected a list of fields such as ["row u1", "price u2"], not {lines!r}')
        self.fields = tuple(parse_field(line, f"{place}[{i}]") for i, line in enumerate(lines))
        self._check(place)
        self._struct = c.Struct(*(c.Renamed(_codec(f, order == "little"), f.name) for f in self.fields))
        self._built = lru_cache(1024)(lambda items: self._build(dict(items)))
        self.least = sum(f.least for f in self.fields)
        self.most = min(255, sum(f.most for f in self.fields))

    def _check(self, place: str) -> None:
        seen: set[str] = set()
        for i, field in enumerate(self.fields):
            if field.name in seen:
                raise UsageError(f"{place}: the field name {field.name!r} stands twice")
            if isinstance(field.count, str) and field.count not in seen:
                raise UsageError(f"{place}: {field.name!r} counts by {field.count!r}, which is no earlier field")
            if (field.rest or field.trim) and i != len(self.fields) - 1:
                raise UsageError(f"{place}: {field.name!r} has an open length, so it must stand last")
            seen.add(field.name)

    def parse(self, data: bytes) -> dict:
        """Bytes to values. Misfit("length") if too short or too long, Misfit("range") if out of range."""
        if not self.least <= len(data) <= self.most:
            raise Misfit("length", f"{len(data)} bytes, expected {self._span()}")
        try:
            parsed = self._struct.parse(data)
        except c.ConstructError:
            raise Misfit("length", f"{len(data)} bytes do not fill the fields") from None
        values = {f.name: _plain(parsed[f.name]) for f in self.fields}
        if self.size_of(values) != len(data) and not any(f.rest and f.type in _TEXT for f in self.fields):
            raise Misfit("length", f"{len(data)} bytes, expected {self.size_of(values)}")
        for field in self.fields:
            if field.trim:
                values[field.name] += [0] * (field.count - len(values[field.name]))
            self._in_range(field, values[field.name])
        return values

    def build(self, values: dict) -> bytes:
        """Values to bytes. Misfit("range") for values that the layout cannot carry."""
        try:
            return self._built(tuple(values.items()))
        except TypeError:  # lists are not remembered
            return self._build(values)

    def _build(self, values: dict) -> bytes:
        if missing := [f.name for f in self.fields if f.name not in values]:
            raise Misfit("length", f"no value for {', '.join(missing)}")
        if unknown := set(values) - {f.name for f in self.fields}:
            raise Misfit("range", f"no such field: {', '.join(sorted(unknown))}")
        for field in self.fields:
            self._in_range(field, values[field.name])
        try:
            return self._struct.build(values)
        except (c.ConstructError, ValueError) as error:
            raise Misfit("range", str(error).splitlines()[0]) from None

    def size_of(self, values: dict) -> int:
        """Bytes that these values take."""
        total = 0
        for f in self.fields:
            value = values[f.name]
            many = f.count is not None or (f.rest and isinstance(value, list))
            total += f.size * len(value) if many else (len(value) if f.rest else f.size)
        return total

    def _span(self) -> str:
        return str(self.least) if self.least == self.most else f"{self.least} to {self.most}"

    @staticmethod
    def _in_range(field: Field, value) -> None:
        if field.legal is None:
            return
        for one in value if isinstance(value, (list, tuple)) else (value,):
            if one not in field.legal:
                raise Misfit("range", f"{field.name} = {one}")


def _plain(value):
    return list(value) if isinstance(value, c.ListContainer) else value
