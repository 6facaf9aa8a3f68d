"""Between the fields of a link and those that the bench knows: codes, money, places, fields that a link has not.

    [money]   unit = 5                        amounts on the wire count five minor units; all ones keep their meaning
    [places]  first = 11, row = 10, column = 1    a field `place` is 11 for row 0, column 0; 23 for row 1, column 2
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.kit_meanings import CODED, NUMBERS, TYPES, Codes, Meaning, parse_codes
from benchsim.schema.word import only

NOT_FOR_SALE, UNKNOWN_FUNDS = 0xFFFF, 0xFFFFFFFF  # kit link reference: all ones
PRICES = ("price", "prices")
MONEY = {**dict.fromkeys(PRICES, NOT_FOR_SALE), **dict.fromkeys(("credit", "amount", "total"), UNKNOWN_FUNDS), "owed": None}


class Places(NamedTuple):
    """One number for row and column."""

    first: int
    row: int
    column: int

    def number(self, row: int, column: int) -> int:
        """Of a position."""
        return self.first + row * self.row + column * self.column

    def position(self, number: int) -> tuple[int, int]:
        """Row and column; Misfit where the number names none."""
        row, rest = divmod(number - self.first, self.row)
        column, left = divmod(rest, self.column)
        if row < 0 or left:
            raise Misfit("range", f"place = {number}")
        return row, column


class Money(NamedTuple):
    """An amount of `size` bytes; all ones stand for `ones`."""

    unit: int
    size: int
    ones: int | None

    @property
    def top(self) -> int:
        return 256**self.size - 1

    def read(self, value: int) -> int:
        """Minor units of what is on the wire."""
        return self.ones if value == self.top and self.ones is not None else value * self.unit

    def write(self, value: int, exactly: bool) -> int:
        """What goes on the wire; amounts that are not told exactly are rounded down, to what the field can hold."""
        if value == self.ones and self.ones is not None:
            return self.top
        most = self.top - (self.ones is not None)
        if exactly and (value % self.unit or value // self.unit > most):
            raise Misfit("range", f"{value} minor units, where the link has 0 to {most * self.unit} in steps of {self.unit}")
        return min(value // self.unit, most)


class Values:
    """How the values of one link are told. Reads `[status]`, `[state]`, `[codes]`, `[money]`, `[places]`."""

    def __init__(self, table: dict, place: str, order: str):
        self.order = order
        own = table.get("codes", {})
        only(own, f"{place}: codes", set(), None)
        given = {name: table[name] for name in ("status", "state") if name in table} | own
        if unknown := set(given) - set(CODED):
            raise UsageError(f"{place}: codes.{sorted(unknown)[0]}: expected one of {', '.join(CODED)}")
        where = {name: f"{place}: {'codes.' * (name in own)}{name}" for name in given}
        codes = {name: parse_codes(one, name, where[name]) for name, one in given.items()}
        self.codes: dict[str, Codes] = {name: one for name, one in codes.items() if not one.alike}
        money = table.get("money", {"unit": 1})
        only(money, f"{place}: money", {"unit"})
        if type(money["unit"]) is not int or money["unit"] < 1:
            raise UsageError(f"{place}: money.unit: expected how many minor units, not {money['unit']!r}")
        self.unit = money["unit"]
        self.places = self._places(table, place)

    def _places(self, table: dict, place: str) -> Places | None:
        if "places" not in table:
            return None
        only(table["places"], f"{place}: places", {"first", "row", "column"})
        places = Places(*(table["places"][key] for key in ("first", "row", "column")))
        if not all(type(n) is int for n in places) or places.first < 0 or not 0 < places.column <= places.row:
            raise UsageError(f"{place}: places: expected first from 0 on, and steps with row at least as great as column")
        return places

    def told(self, name: str, number: int) -> frozenset[int]:
        """All that a number read from the wire can stand for."""
        codes = self.codes.get(name)
        return codes.told[number] if codes else frozenset((number,))

    def layout(self, lines: list, place: str, meaning: Meaning | None, what: str) -> "Layout | Told":
        """A layout in the bench's own terms. `meaning` None: it has none for the bench. `what`: for errors."""
        layout = Layout(lines, place, self.order)
        if meaning is None:
            return layout
        return self._fitted(layout, place, meaning, what)

    def _fitted(self, layout: Layout, place: str, meaning: Meaning, what: str) -> "Layout | Told":
        have, fixed = {}, {}
        for field in layout.fields:
            if field.name == "place" and "row" in meaning.must:
                self._typed(field, place, meaning)
                if self.places is None:
                    raise UsageError(f"{place}: a field place needs a table [places], which says how it is counted")
                have |= {"row": field, "column": field}
            elif field.name in have:
                raise UsageError(f"{place}: {field.name} stands beside place, which tells it already")
            elif field.name in meaning.must or field.name in meaning.may:
                have[field.name] = field
                self._typed(field, place, meaning)
            elif field.legal is not None and len(field.legal) == 1 and field.count is None:
                fixed[field.name] = next(iter(field.legal))
            else:
                known = ", ".join((*meaning.must, *meaning.may)) or "none"
                raise UsageError(f"{place}: {what} has no field {field.name!r} (known: {known}), unless it is always the same: {field.name} u1 5..5")
        if lacking := [name for name in meaning.must if name not in have]:
            raise UsageError(f"{place}: {what} needs the field {lacking[0]!r} (all it needs: {', '.join(meaning.must)})")
        absent = {name: value for name, value in meaning.may.items() if name not in have}
        codes = {field.name: self.codes[field.name] for field in layout.fields if field.name in self.codes}
        money = {f.name: Money(self.unit, f.size, MONEY[f.name]) for f in layout.fields if f.name in MONEY and self._differs(f)}
        places = self.places if any(field.name == "place" for field in layout.fields) else None
        if not (fixed or absent or codes or money or places):
            return layout
        return Told(layout, fixed, absent, codes, money, places)

    @staticmethod
    def _typed(field, place: str, meaning: Meaning) -> None:
        """Can the bench's value be told in a field of this type?"""
        types, many = TYPES.get(field.name, NUMBERS), field.name in meaning.many
        if field.type not in types or (field.name == "tenths" and field.type != "s"):
            wanted = "s" if field.name == "tenths" else ", ".join(types)
            raise UsageError(f"{place}: {field.name}: expected a field of type {wanted}, not {field.type}")
        if field.trim or many != (field.count is not None or (field.rest and field.type in NUMBERS)):
            raise UsageError(f"{place}: {field.name}: expected {'several values, such as prices u2[n]' if many else 'one value'}")
        if field.name == "firmware" and field.type == "bcd" and field.size != 2:
            raise UsageError(f"{place}: firmware: expected bcd2 or ascii")

    def _differs(self, field) -> bool:
        return self.unit > 1 or field.size != (2 if field.name in PRICES else 4)


class Told:
    """A layout whose values are told otherwise than on the reference link. Like a `Layout` for who uses it."""

    def __init__(self, layout: Layout, fixed: dict, absent: dict, codes: dict[str, Codes], money: dict[str, Money],
                 places: Places | None):  # fmt: skip
        self.fields, self.least, self.most = layout.fields, layout.least, layout.most
        self._layout, self._fixed, self.absent = layout, fixed, absent
        self._codes, self._money, self._places = codes, money, places

    def parse(self, data: bytes) -> dict:
        """Bytes to the bench's values. Misfit as of a `Layout`."""
        values = self._layout.parse(data)
        for name in self._fixed:
            del values[name]
        for name, codes in self._codes.items():
            if values[name] not in codes.read:
                raise Misfit("range", f"{name} = {values[name]}")
            values[name] = codes.read[values[name]]
        for name, money in self._money.items():
            value = values[name]
            values[name] = [money.read(one) for one in value] if isinstance(value, list) else money.read(value)
        if self._places:
            values["row"], values["column"] = self._places.position(values.pop("place"))
        return values | {name: value for name, value in self.absent.items() if value is not None}

    def build(self, values: dict) -> bytes:
        """The bench's values to bytes. Misfit("range") for values that the link cannot carry."""
        values = {name: value for name, value in values.items() if name not in self.absent} | self._fixed
        if self._places and {"row", "column"} <= set(values):
            values["place"] = self._places.number(values.pop("row"), values.pop("column"))
        for name, codes in self._codes.items():
            if values.get(name) not in codes.write:
                raise Misfit("range", f"{name} = {values.get(name)}")
            values[name] = codes.write[values[name]]
        for name, money in self._money.items():
            value, exactly = values[name], name in PRICES
            many = isinstance(value, (list, tuple))
            values[name] = [money.write(one, exactly) for one in value] if many else money.write(value, exactly)
        return self._layout.build(values)
