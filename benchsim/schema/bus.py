"""The payment bus and its devices, read from protocol files: codecs both ways, lengths, limits.

Parsing is cached by bytes: a bus at rest says the same things over and over. What a command or an
answer looks like can depend on the device's level and features, so every call takes a `Mode`.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.events import MODE
from benchsim.schema.bits import BitLayout
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat, only, parse_limits, parse_word

COMMAND_BITS = 0x07  # of an address word; the others are the device's address
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


def checksum(data: bytes) -> int:
    """Low eight bits of the sum (MDB/ICP 4.3 §2)."""
    return sum(data) & 0xFF


@lru_cache(4096)
def command_words(data: bytes) -> tuple[int, ...]:
    """A master block: checksum added, mode bit on the address word only."""
    return (data[0] | MODE, *data[1:], checksum(data))


@lru_cache(4096)
def answer_words(data: bytes) -> tuple[int, ...]:
    """A device's data block: checksum added, mode bit on the last word only."""
    return (*data, checksum(data) | MODE)


class BusSpec:
    """Word format, block constants and timing of the bus. Attributes are read-only."""

    def __init__(self, table: dict, place: str):
        only(table, place, {"kind", "name", "title", "asks", "source", "word", "block", "limits"})
        self.name, self.title, self.source, self.asks = (
            table[k] for k in ("name", "title", "source", "asks")
        )
        self.word: WordFormat = parse_word(table["word"], f"{place}: word")
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        block = table["block"]
        only(block, f"{place}: block", {"most_words", "ack", "nak", "ret"})
        for key in ("ack", "nak", "ret"):
            if not isinstance(block[key], int) or not 0 <= block[key] <= 0xFF:
                raise UsageError(f"{place}: block.{key}: expected a byte, not {block[key]!r}")
        if len({block["ack"], block["nak"], block["ret"]}) < 3:
            raise UsageError(f"{place}: block: ack, nak and ret must differ")
        self.most_words: int = block["most_words"]
        self.ack, self.nak, self.ret = block["ack"], block["nak"], block["ret"]


class _Form:
    """The layouts of one message, chosen by mode: `wide` before `level3` before `level2` before `fields`."""

    def __init__(self, table: dict, place: str, key: str = "fields"):
        self._levels = [(n, _layout(table, f"level{n}", place)) for n in (3, 2) if f"level{n}" in table]
        self._wide = _layout(table, "wide", place) if "wide" in table else None
        self.plain = _layout(table, key, place)
        self.all = (self.plain, *(form for _, form in self._levels), *((self._wide,) if self._wide else ()))

    def pick(self, mode: Mode) -> Layout | BitLayout:
        if mode.wide and self._wide:
            return self._wide
        return next((form for level, form in self._levels if mode.level >= level), self.plain)


def _layout(table: dict, key: str, place: str) -> Layout:
    lines = table.get(key, [])
    if not isinstance(lines, list):
        raise UsageError(f"{place}.{key}: expected a list of fields, not {lines!r}")
    return Layout(lines, f"{place}.{key}")


class _BitForm:
    """A bit pattern in place of fields: the same in every mode."""

    def __init__(self, pattern: str, names: dict, place: str):
        self.plain = BitLayout(pattern, names, place)
        self.all = (self.plain,)

    def pick(self, mode: Mode) -> BitLayout:
        return self.plain


def _least(layout: Layout | BitLayout) -> int:
    return layout.size if isinstance(layout, BitLayout) else layout.least


def _open(layout: Layout | BitLayout) -> bool:
    """Its length depends on more than the mode."""
    return not isinstance(layout, BitLayout) and layout.least != layout.most


class Command(NamedTuple):
    """One command. `level` and `feature` (bit number or None) say from when on it is defined."""

    name: str
    code: int  # low three bits of the address word
    sub: int | None
    level: int
    feature: int | None
    form: _Form | _BitForm
    answer: _Form | _BitForm | None
    replies: tuple[str, ...]  # activities that may stand in place of ACK
    activity: bool  # the answer is a list of activities
    may_ack: bool  # ACK is a whole answer
    confidence: str

    @property
    def head(self) -> int:
        """Words before the fields."""
        return 1 if self.sub is None else 2

    def lengths(self) -> tuple[int, ...]:
        """All lengths it can have over all modes, in words with checksum; () if open."""
        if any(_open(form) for form in self.form.all):
            return ()
        return tuple(sorted({self.head + _least(form) + 1 for form in self.form.all}))


class Activity(NamedTuple):
    """One code in an answer to POLL. `size(mode)` counts the code itself; None: all that is left."""

    name: str
    level: int
    event: bool
    anywhere: bool  # may stand in place of ACK to any command
    code: int | None  # None: a bit pattern
    form: _Form | _BitForm
    confidence: str

    def size(self, mode: Mode) -> int | None:
        layout = self.form.pick(mode)
        return None if _open(layout) else _least(layout) + (self.code is not None)


class DeviceSpec:
    """One kind of device. Attributes are read-only; parse and build raise `Misfit`.

    `data` is always a block without its checksum; of commands the address word comes first. Parsed
    messages are cached and shared: nobody may change one.
    """

    def __init__(self, table: dict, place: str):
        required = {
            "kind",
            "name",
            "title",
            "seats",
            "levels",
            "source",
            "just_reset",
            "limits",
            "command",
            "activity",
        }
        only(table, place, required, {"confidence", "wide_feature"})
        self.name, self.title, self.source = table["name"], table["title"], table["source"]
        self.confidence = table.get("confidence", "A")
        self.seats: dict[str, int] = _seats(table["seats"], place)
        self.levels: tuple[int, ...] = tuple(table["levels"])
        self.just_reset: int = table["just_reset"]
        self.wide_feature: int | None = table.get("wide_feature")
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        self.activities: dict[str, Activity] = {}
        self._by_first: dict[int, Activity] = {}
        for i, one in enumerate(table["activity"]):
            self._add_activity(one, f"{place}: activity[{i}]")
        self.commands: dict[str, Command] = {}
        self._by_code: dict[tuple[int, int | None], Command] = {}
        for i, one in enumerate(table["command"]):
            self._add_command(one, f"{place}: command[{i}]")
        if (code := self._by_first.get(self.just_reset)) is None or code.name != "JUST RESET":
            raise UsageError(f"{place}: just_reset: {self.just_reset:#04x} is no activity named JUST RESET")
        self._with_sub = {code for code, sub in self._by_code if sub is not None}
        self._bare = lru_cache(256)(lambda name, address: self._with_fields(name, address, Mode(), {}))
        self.parse_command: Callable[[bytes, Mode], Message] = lru_cache(4096)(self._parse_command)
        self.parse_answer: Callable[[str, bytes, Mode], list[Message]] = lru_cache(4096)(self._parse_answer)

    def mode(self, level: int, features: int = 0) -> Mode:
        """The mode of a device that told its level and was enabled these features."""
        return Mode(
            level, features, self.wide_feature is not None and bool(features >> self.wide_feature & 1)
        )

    # ---- reading the file

    def _add_activity(self, one: dict, place: str) -> None:
        only(one, place, {"name"},
             {"code", "bits", "names", "fields", "level2", "level3", "wide", "event", "level", "anywhere",
              "confidence"})  # fmt: skip
        if ("code" in one) == ("bits" in one):
            raise UsageError(f"{place}: expected either code or bits")
        if "bits" in one:
            form, code = _BitForm(one["bits"], one.get("names", {}), f"{place}.bits"), None
            firsts = form.plain.first
        else:
            form, code = _Form(one, place), _byte(one["code"], f"{place}.code")
            firsts = (code,)
        if one["name"] in self.activities:
            raise UsageError(f"{place}.name: {one['name']!r} stands twice")
        activity = Activity(one["name"], one.get("level", 1), one.get("event", False), one.get("anywhere", False),
                            code, form, one.get("confidence", self.confidence))  # fmt: skip
        for first in firsts:
            if first in self._by_first:
                key = "bits" if code is None else "code"
                raise UsageError(f"{place}.{key}: {first:02X} is already {self._by_first[first].name!r}")
            self._by_first[first] = activity
        self.activities[activity.name] = activity

    def _add_command(self, one: dict, place: str) -> None:
        only(one, place, {"name", "code"},
             {"fields", "wide", "level2", "level3", "bits", "bits_answer", "names", "answer", "replies", "activity",
              "may_ack", "level", "feature", "confidence"})  # fmt: skip
        code, sub = self._code(one["code"], f"{place}.code")
        names = one.get("names", {})
        form = _BitForm(one["bits"], names, f"{place}.bits") if "bits" in one else _Form(one, place)
        answer = None
        if "bits_answer" in one:
            answer = _BitForm(one["bits_answer"], names, f"{place}.bits_answer")
        elif "answer" in one:
            answer = _Form({"fields": one["answer"]}, f"{place}.answer")
        if unknown := [name for name in one.get("replies", ()) if name not in self.activities]:
            raise UsageError(f"{place}.replies: there is no activity {unknown[0]!r}")
        if one["name"] in self.commands:
            raise UsageError(f"{place}.name: {one['name']!r} stands twice")
        command = Command(
            one["name"], code, sub, one.get("level", 1), one.get("feature"), form, answer,
            tuple(one.get("replies", ())), one.get("activity", False), one.get("may_ack", answer is None),
            one.get("confidence", self.confidence),
        )  # fmt: skip
        _fits(command, place)
        self.commands[command.name] = command
        self._by_code[code, sub] = command

    def _code(self, text: str, place: str) -> tuple[int, int | None]:
        parts = text.split() if isinstance(text, str) else []
        if len(parts) not in (1, 2):
            raise UsageError(f'{place}: expected a code such as "0B" or "0F 01", not {text!r}')
        word, sub = _byte(parts[0], place), _byte(parts[1], place) if len(parts) == 2 else None
        if word & ~COMMAND_BITS != min(self.seats.values()):
            raise UsageError(
                f"{place}: {word:02X} does not lie at the address {min(self.seats.values()):02X}"
            )
        code = word & COMMAND_BITS
        for other, other_sub in self._by_code:
            if other == code and (other_sub == sub or (other_sub is None) != (sub is None)):
                raise UsageError(f"{place}: {text} is already {self._by_code[other, other_sub].name!r}")
        return code, sub

    # ---- commands

    def command_at(self, data: bytes) -> Command | None:
        """The command that a block begins with; None if unknown (or too short to tell)."""
        if not data:
            return None
        code = data[0] & COMMAND_BITS
        if code in self._with_sub:
            return self._by_code.get((code, data[1])) if len(data) > 1 else None
        return self._by_code.get((code, None))

    def needs_sub(self, first: int) -> bool:
        """The command is known only by the second word of the block."""
        return first & COMMAND_BITS in self._with_sub

    def command_length(self, data: bytes, mode: Mode = Mode()) -> int | None:  # noqa: B008
        """Words of the whole block with checksum; None if unknown, not yet known, or open."""
        command = self.command_at(data)
        if command is None or not command.lengths():
            return None
        return command.head + _least(command.form.pick(mode)) + 1

    def defined(self, name: str, mode: Mode) -> bool:
        """Whether a command exists for that level with those features enabled."""
        command = self.commands[name]
        has = command.feature is None or mode.features >> command.feature & 1
        return mode.level >= command.level and bool(has)

    def _parse_command(self, data: bytes, mode: Mode = Mode()) -> Message:  # noqa: B008
        command = self.command_at(data)
        if command is None:
            raise Misfit("unknown", f"no command {data[:2].hex(' ').upper()}")
        return Message(command.name, command.form.pick(mode).parse(data[command.head :]))

    def build_command(self, name: str, address: int, mode: Mode = Mode(), **fields) -> bytes:  # noqa: B008
        """The block, without checksum."""
        return self._with_fields(name, address, mode, fields) if fields else self._bare(name, address)

    def _with_fields(self, name: str, address: int, mode: Mode, fields: dict) -> bytes:
        command = self.commands[name]
        head = bytes((address | command.code,)) + (b"" if command.sub is None else bytes((command.sub,)))
        return head + command.form.pick(mode).build(fields)

    # ---- answers

    def _parse_answer(self, name: str, data: bytes, mode: Mode = Mode()) -> list[Message]:  # noqa: B008
        command = self.commands[name]
        if command.answer is not None:
            return [Message(name, command.answer.pick(mode).parse(data))]
        messages, at = [], 0
        while at < len(data):
            message, size = self._activity_at(data, at, mode)
            self._may_stand(command, message.name)
            messages.append(message)
            at += size
        if not messages or not (command.activity or len(messages) == 1):
            raise Misfit("length", f"{len(messages)} messages in answer to {name}")
        return messages

    def _activity_at(self, data: bytes, at: int, mode: Mode) -> tuple[Message, int]:
        activity = self._by_first.get(data[at])
        if activity is None:
            raise Misfit("range", f"no activity {data[at]:02X}")
        size = activity.size(mode) or len(data) - at
        if at + size > len(data):
            raise Misfit("length", f"{activity.name} takes {size} bytes, {len(data) - at} are left")
        body = data[at + (activity.code is not None) : at + size]
        return Message(activity.name, activity.form.pick(mode).parse(body), activity.event), size

    def _may_stand(self, command: Command, activity: str) -> None:
        if not (command.activity or activity in command.replies or self.activities[activity].anywhere):
            raise Misfit("range", f"{activity} in answer to {command.name}")

    def build_answer(self, name: str, mode: Mode = Mode(), **fields) -> bytes:  # noqa: B008
        """The data block that answers a command with a fixed layout, without checksum."""
        answer = self.commands[name].answer
        if answer is None:
            raise Misfit("range", f"{name} is answered by ACK or activities")
        return answer.pick(mode).build(fields)

    def build_activity(self, name: str, mode: Mode = Mode(), **fields) -> bytes:  # noqa: B008
        """One activity for an answer to POLL (or in place of ACK)."""
        activity = self.activities[name]
        code = b"" if activity.code is None else bytes((activity.code,))
        return code + activity.form.pick(mode).build(fields)


def _byte(text: str, place: str) -> int:
    try:
        value = int(text, 16)
    except (TypeError, ValueError):
        value = -1
    if not 0 <= value <= 0xFF:
        raise UsageError(f'{place}: expected two hexadecimal digits such as "0B", not {text!r}')
    return value


def _seats(table: dict, place: str) -> dict[str, int]:
    for seat, address in table.items():
        if not isinstance(address, int) or not 0 <= address <= 0xF8 or address & COMMAND_BITS:
            raise UsageError(
                f"{place}: seats.{seat}: expected an address whose low three bits are 0, not {address!r}"
            )
    if not table:
        raise UsageError(f"{place}: seats: expected at least one")
    return dict(table)


def _fits(command: Command, place: str) -> None:
    for layout in command.form.all:
        if command.head + _least(layout) + 1 > MOST_WORDS:
            raise UsageError(f"{place}.fields: the block would be longer than {MOST_WORDS} words")
    for layout in command.answer.all if command.answer else ():
        if _least(layout) + 1 > MOST_WORDS:
            raise UsageError(f"{place}.answer: the block would be longer than {MOST_WORDS} words")


def load_bus(table: dict, place: str) -> BusSpec:
    """The bus from a parsed file; UsageError names `place` and the key."""
    return BusSpec(table, place)


def load_device(table: dict, place: str) -> DeviceSpec:
    """A device from a parsed file; UsageError names `place` and the key."""
    return DeviceSpec(table, place)
