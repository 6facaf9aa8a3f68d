"""One message of a bus device: the layouts it can have, and what its table says beside them."""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.bits import BitLayout
from benchsim.schema.fields import Layout
from benchsim.schema.states import ROW_KEYS
from benchsim.schema.word import only

DEPTHS = ("known", "link")  # in a protocol file; that a seat models a message only its class can tell
_TOLD = {"level", "confidence", "depth", "source", *ROW_KEYS}  # keys that commands and activities share
MOST_WORDS = 36  # in any block, MDB/ICP 4.3 §2


class Mode(NamedTuple):
    """What a device has told and been told of itself. `wide`: 32-bit money is enabled."""

    level: int = 1
    features: int = 0
    wide: bool = False


class Message(NamedTuple):
    """A parsed command, answer or activity. `event`: it happens once and must not be lost."""

    name: str
    fields: dict
    event: bool = False


class Form:
    """The layouts of one message, chosen by mode: `wide` before `level3` before `level2` before `fields`.

    `loose`: layouts that are taken too, where the standard is read in more ways than one and just so many bytes are
    left at the end of a block.
    """

    def __init__(self, table: dict, place: str, key: str = "fields"):
        self._levels = [(n, _layout(table, f"level{n}", place)) for n in (3, 2) if f"level{n}" in table]
        self._wide = _layout(table, "wide", place) if "wide" in table else None
        self.plain = _layout(table, key, place)
        loose = table.get("loose", [])
        if not isinstance(loose, list):
            raise UsageError(f"{place}.loose: expected a list of layouts, not {loose!r}")
        self.loose = tuple(_layout({"loose": one}, "loose", place) for one in loose)
        self.all = (self.plain, *(form for _, form in self._levels), *((self._wide,) if self._wide else ()))

    def pick(self, mode: Mode) -> Layout | BitLayout:
        """The layout in that mode."""
        if mode.wide and self._wide:
            return self._wide
        return next((form for level, form in self._levels if mode.level >= level), self.plain)

    def fitting(self, mode: Mode, left: int) -> Layout | BitLayout:
        """The layout to read by, with so many bytes left."""
        return next((form for form in self.loose if form.least == left), None) or self.pick(mode)

    def named(self) -> list[tuple[str, Layout]]:
        """Every layout and when it holds, the plain one first."""
        levels = [(f"from level {n}", form) for n, form in reversed(self._levels)]
        named = [("", self.plain), *levels, *([("32-bit money", self._wide)] if self._wide else ())]
        known = [form.fields for _, form in named]
        return named + [("taken too", form) for form in self.loose if form.fields not in known]


def _layout(table: dict, key: str, place: str) -> Layout:
    lines = table.get(key, [])
    if not isinstance(lines, list):
        raise UsageError(f"{place}.{key}: expected a list of fields, not {lines!r}")
    return Layout(lines, f"{place}.{key}")


class BitForm:
    """A bit pattern in place of fields: the same in every mode."""

    def __init__(self, pattern: str, names: dict, place: str):
        self.plain = BitLayout(pattern, names, place)
        self.all = (self.plain,)

    def pick(self, mode: Mode) -> BitLayout:
        """The layout."""
        return self.plain

    def fitting(self, mode: Mode, left: int) -> BitLayout:
        """The layout."""
        return self.plain

    def named(self) -> list[tuple[str, BitLayout]]:
        """The layout, as `Form.named`."""
        return [("", self.plain)]


def least_of(layout: Layout | BitLayout) -> int:
    """Fewest bytes of a layout."""
    return layout.size if isinstance(layout, BitLayout) else layout.least


def is_open(layout: Layout | BitLayout) -> bool:
    """Its length depends on more than the mode."""
    return not isinstance(layout, BitLayout) and layout.least != layout.most


class Command(NamedTuple):
    """One command. `level` and `feature` (bit number or None) say from when on it is defined."""

    name: str
    code: int  # low three bits of the address word
    sub: int | None
    level: int
    feature: int | None
    form: Form | BitForm
    answer: Form | BitForm | None
    replies: tuple[str, ...]  # activities that may stand in place of ACK
    activity: bool  # the answer is a list of activities
    may_ack: bool  # ACK is a whole answer
    confidence: str
    depth: str  # of DEPTHS; "link": it is known by its code alone, its fields are bytes
    source: str

    @property
    def head(self) -> int:
        """Words before the fields."""
        return 1 if self.sub is None else 2

    @property
    def text(self) -> str:
        """Code as in the protocol file, without the address: "3" or "7 01"."""
        return f"{self.code:X}" if self.sub is None else f"{self.code:X} {self.sub:02X}"

    def lengths(self) -> tuple[int, ...]:
        """All lengths it can have over all modes, in words with checksum; () if open, or not certain enough
        (confidence C) to end a block by them."""
        if self.confidence == "C" or any(is_open(form) for form in self.form.all):
            return ()
        return tuple(sorted({self.head + least_of(form) + 1 for form in self.form.all}))


class Activity(NamedTuple):
    """One code in an answer to POLL, or in place of ACK."""

    name: str
    level: int
    event: bool
    anywhere: bool  # may stand in place of ACK to any command
    code: int | None  # None: a bit pattern
    form: Form | BitForm
    confidence: str
    depth: str
    source: str

    @property
    def firsts(self) -> tuple[int, ...]:
        """Values that its first byte can take."""
        return self.form.plain.first if self.code is None else (self.code,)


class Defaults(NamedTuple):
    """What a device's file says of all its messages that do not say it themselves."""

    confidence: str
    depth: str
    source: str


def read_activity(one: dict, place: str, device: Defaults) -> Activity:
    """Read one `[[activity]]`; UsageError names `place` and the key."""
    only(one, place, {"name"},
         {"code", "bits", "names", "fields", "level2", "level3", "wide", "loose", "event", "anywhere", *_TOLD})  # fmt: skip
    if ("code" in one) == ("bits" in one):
        raise UsageError(f"{place}: expected either code or bits")
    if "bits" in one:
        form, code = BitForm(one["bits"], one.get("names", {}), f"{place}.bits"), None
    else:
        form, code = Form(one, place), byte(one["code"], f"{place}.code")
    return Activity(one["name"], one.get("level", 1), one.get("event", False), one.get("anywhere", False),
                    code, form, *_told(one, place, device, form))  # fmt: skip


def read_command(one: dict, place: str, device: Defaults, code: int, sub: int | None) -> Command:
    """Read one `[[command]]` whose code is already read; UsageError names `place` and the key."""
    only(one, place, {"name", "code"},
         {"fields", "wide", "level2", "level3", "bits", "bits_answer", "names", "answer", "replies", "activity",
          "may_ack", "feature", *_TOLD})  # fmt: skip
    names = one.get("names", {})
    form = BitForm(one["bits"], names, f"{place}.bits") if "bits" in one else Form(one, place)
    answer = None
    if "bits_answer" in one:
        answer = BitForm(one["bits_answer"], names, f"{place}.bits_answer")
    elif "answer" in one:
        answer = Form({"fields": one["answer"]}, f"{place}.answer")
    command = Command(
        one["name"], code, sub, one.get("level", 1), one.get("feature"), form, answer,
        tuple(one.get("replies", ())), one.get("activity", False), one.get("may_ack", answer is None),
        *_told(one, place, device, form, answer),
    )  # fmt: skip
    _fits(command, place)
    return command


def _told(one: dict, place: str, device: Defaults, *forms: Form | BitForm | None) -> Defaults:
    """Confidence, depth and source. What is known by its code alone says nothing about its bytes."""
    told = Defaults(*(one.get(key, getattr(device, key)) for key in Defaults._fields))
    check_told(told, place)
    fields = [f for form in forms if isinstance(form, Form) for layout in form.all for f in layout.fields]
    if told.depth == "link" and any(f.type != "hex" or not f.rest for f in fields):
        raise UsageError(f'{place}.fields: depth "link" allows only a field such as "data hex*"')
    return told


def check_told(told: Defaults, place: str) -> None:
    """UsageError for a confidence or a depth that there is not, and for "link" told with more than C."""
    if told.confidence not in ("A", "B", "C"):
        raise UsageError(f"{place}.confidence: expected A, B or C, not {told.confidence!r}")
    if told.depth not in DEPTHS:
        raise UsageError(f"{place}.depth: expected {' or '.join(DEPTHS)}, not {told.depth!r}")
    if told.depth == "link" and told.confidence != "C":
        raise UsageError(f'{place}.confidence: depth "link" is told with confidence C, not {told.confidence!r}')


def _fits(command: Command, place: str) -> None:
    for layout in command.form.all:
        if command.head + least_of(layout) + 1 > MOST_WORDS:
            raise UsageError(f"{place}.fields: the block would be longer than {MOST_WORDS} words")
    for layout in command.answer.all if command.answer else ():
        if least_of(layout) + 1 > MOST_WORDS:
            raise UsageError(f"{place}.answer: the block would be longer than {MOST_WORDS} words")


def byte(text: str, place: str) -> int:
    """Two hexadecimal digits of a protocol file."""
    try:
        value = int(text, 16)
    except (TypeError, ValueError):
        value = -1
    if not 0 <= value <= 0xFF:
        raise UsageError(f'{place}: expected two hexadecimal digits such as "0B", not {text!r}')
    return value
