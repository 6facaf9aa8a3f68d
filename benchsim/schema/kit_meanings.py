"""What the bench knows of a board and its host, whatever a link calls it: operations, events, codes.

A protocol file says of each operation and event what it means, and of each code on the wire. Seats, plans and
rules know the meanings alone. Names and codes are those of the kit link reference.
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.word import only

# Codes of the reference link: the place in the list is the code. A link with other codes: [status], [state],
# [codes.NAME], each code with its meaning.
CODED: dict[str, tuple[str | None, ...]] = {
    "status": ("ok", "bad length", "unknown operation", "bad argument", "not in this state", "busy", "locked out",
               "not enough credit"),
    "state": ("starting", "identified", "priced", "sale open", "vending", "locked out", "service"),
    "cause": ("power-on", "watchdog", "brown-out"),
    "source": ("none", "coin", "bill", "cashless"),
    "outcome": ("delivered", "no drop seen", "coil did not turn", "home position not seen", "payment refused",
                "locked out or door open", "cut by power loss"),
    "duty": ("no cooling", "perishable food", "drinks"),
    "condition": ("lost", "ready", "fault"),
    "reason": (None, "temperature", "sensor failed"),
}  # fmt: skip
ALONE = ("ok", "sale open")  # told by a code of their own: on these everything hangs
OTHER = "other"  # the meaning of what a link has and the bench does not know


class Meaning(NamedTuple):
    """Fields that a layout must have, and those that it may have, with what they are taken for where it has not
    (None: they are then not told). `many`: which of them are lists.
    """

    must: tuple[str, ...] = ()
    may: dict[str, int | None] = {}  # noqa: RUF012
    many: tuple[str, ...] = ()


class Known(NamedTuple):
    """An operation. `needed`: no link without it."""

    request: Meaning = Meaning()
    answer: Meaning = Meaning()
    needed: bool = False


_PART = Meaning(("first", "n"))
_NAMED = {"maker": None, "model": None, "serial": None, "firmware": None}
# Fields that are no numbers: in which types they can be told.
TYPES = {"maker": ("ascii",), "model": ("ascii",), "serial": ("ascii",), "firmware": ("bcd", "ascii"), "queue": ("hex",)}
NUMBERS = ("u", "s", "bits")
OPERATIONS = {
    "RESET": Known(answer=Meaning(may={"version": 1, "cause": 0}), needed=True),
    "IDENT": Known(answer=Meaning(("rows", "columns"), _NAMED), needed=True),
    "POLL": Known(answer=Meaning(("state", "credit", "count", "queue")), needed=True),
    "OPEN-SALE": Known(needed=True),
    "CLOSE-SALE": Known(),
    "VEND": Known(Meaning(("row", "column", "price")), needed=True),
    "REFUND": Known(answer=Meaning(may={"amount": 0})),
    "PRICE-BEGIN": Known(Meaning(("entries",)), needed=True),
    "PRICE-PART": Known(Meaning((*_PART.must, "prices"), many=("prices",)), needed=True),
    "PRICE-COMMIT": Known(Meaning(("check",)), needed=True),
    "SETPOINT": Known(Meaning(("duty", "tenths"))),
    "SURVEY": Known(),
    "SURVEY-READ": Known(Meaning(("first",)), Meaning(("n", "rows"), many=("rows",))),
    "CLOCK": Known(Meaning(("utc",))),
    "COUNTERS": Known(answer=Meaning(("requests", "bad_frames", "vends", "starts"))),
    "PRICE-READ": Known(_PART, Meaning(("prices",), many=("prices",))),
}
EVENTS = {
    "BOOTED": (Meaning(may={"cause": 0}), True),
    "CREDIT": (Meaning(("source", "amount", "total")), True),
    "VEND-DONE": (Meaning(("row", "column", "outcome")), True),
    "DOOR": (Meaning(("open",)), False),
    "TEMPERATURE": (Meaning(("tenths",)), False),
    "LOCKOUT": (Meaning(("set",), {"reason": 1}), False),
    "PAYOUT": (Meaning(("amount",), {"owed": 0}), False),
    "DEVICE": (Meaning(("address", "condition"), {"code": 0}), False),
    "LINK-LOST": (Meaning(may={"ms": 0}), False),
    "SURVEY-DONE": (Meaning(may={"coils": 0}), False),
    "SERVICE-BUTTON": (Meaning(), False),
    "SUPPLY": (Meaning(("millivolts",)), False),
}
# Limits of a link, and what of them the bench needs; all but those in COUNTS are times.
LIMITS = {
    "answer": "max", "gap": "max", "poll": "min max nominal", "wait": "min max nominal", "tries": "max",
    "reset": "min max nominal", "first_reset": "max", "watchdog": "min max", "price_tries": "max", "queue": "max",
}  # fmt: skip
COUNTS = {"tries": "tries", "price_tries": "tries", "queue": "events"}


def meaning_of(one: dict, known: dict, place: str) -> str:
    """What an operation or event means: its `means`, else its name."""
    key = "means" if "means" in one else "name"
    means = one[key]
    if not isinstance(one["name"], str) or not one["name"].isprintable():
        raise UsageError(f"{place}.name: expected a text, not {one['name']!r}")
    if not isinstance(means, str) or (means != OTHER and means not in known):
        raise UsageError(f"{place}.{key}: expected one of {', '.join(known)}, or means = {OTHER!r} with it, not {means!r}")
    return means


def check_limits(limits: dict, place: str) -> None:
    """UsageError where a limit lacks what the bench needs of it, or counts something else."""
    for name, needs in LIMITS.items():
        one, unit = limits[name], COUNTS.get(name)
        if (unit or "ms") != ("ms" if one.unit in ("ms", "s") else one.unit):
            raise UsageError(f"{place}.{name}: expected {f'a number of {unit}' if unit else 'a time'}")
        told = {"min": one.low, "max": one.high, "nominal": one.nominal}
        for key in needs.split():
            if told[key] is None or told[key] <= 0:
                raise UsageError(f"{place}.{name}: expected {needs.replace(' ', ', ')} in it, above 0; {key} is not")


class Codes(NamedTuple):
    """Codes on the wire for the bench's own numbers. A code that stands for several is read as the first of them."""

    read: dict[int, int]
    write: dict[int, int]
    told: dict[int, frozenset[int]]  # the number read -> all that it can stand for

    @property
    def alike(self) -> bool:
        """Are they the reference link's?"""
        return all(code == number for code, number in self.write.items())


def parse_codes(table: dict, name: str, place: str) -> Codes:
    """Read a table of codes: code = "meaning", or several that one code stands for."""
    known = CODED[name]
    numbers = {text: number for number, text in enumerate(known) if text}
    read, write, told = {}, {}, {}
    only(table, place, set(), None)
    for code, texts in table.items():
        texts = texts if isinstance(texts, list) else [texts]
        if not (code.isascii() and code.isdigit()) or int(code) > 255:
            raise UsageError(f"{place}: expected codes from 0 to 255, not {code!r}")
        for text in texts:
            if not isinstance(text, str) or text not in numbers:
                raise UsageError(f"{place}.{code}: expected one of {', '.join(numbers)}, not {text!r}")
            if numbers[text] in write:
                raise UsageError(f"{place}.{code}: {text!r} stands twice")
            if text in ALONE and len(texts) > 1:
                raise UsageError(f"{place}.{code}: {text!r} needs a code of its own")
            write[numbers[text]] = int(code)
        if not texts:
            raise UsageError(f"{place}.{code}: expected a meaning, not an empty list")
        read[int(code)] = numbers[texts[0]]
        told[numbers[texts[0]]] = frozenset(numbers[text] for text in texts)
    if lacking := [text for text, number in numbers.items() if number not in write]:
        raise UsageError(f"{place}: no code means {lacking[0]!r} (one code may stand for several: 4 = [\"busy\", …])")
    return Codes(read, write, told)
