"""The payment bus and its devices, read from protocol files: codecs both ways, lengths, limits.

Parsing is cached by bytes: a bus at rest says the same things over and over. What a command or an
answer looks like can depend on the device's level and features, so every call takes a `Mode`.
"""

from collections.abc import Callable
from contextlib import contextmanager
from functools import lru_cache

from benchsim.errors import UsageError
from benchsim.events import MODE
from benchsim.schema.fields import Misfit
from benchsim.schema.forms import (
    Activity,
    Command,
    Defaults,
    Message,
    Mode,
    byte,
    check_told,
    is_open,
    least_of,
    read_activity,
    read_command,
)
from benchsim.schema.limits import Limit
from benchsim.schema.states import TOP_KEYS, States
from benchsim.schema.word import WordFormat, only, parse_limits, parse_word

COMMAND_BITS = 0x07  # of an address word; the others are the device's address


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
        only(table, place, {"kind", "name", "title", "asks", "source", "word", "block", "limits"}, {"addresses"})
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
        # Seats without a file of their own: what is said to them and by them is read at the link layer.
        self.addresses: dict[str, int] = _seats(table.get("addresses", {}), f"{place}: addresses")


class DeviceSpec:
    """One kind of device. Attributes are read-only; parse and build raise `Misfit`.

    `data` is always a block without its checksum; of commands the address word comes first. Parsed
    messages are cached and shared: nobody may change one.
    """

    def __init__(self, table: dict, place: str):
        required = {"kind", "name", "title", "seats", "levels", "source", "limits", "command"}
        only(table, place, required, {"confidence", "depth", "just_reset", "wide_feature", "start", "activity", *TOP_KEYS})
        self.name, self.title, self.source = table["name"], table["title"], table["source"]
        self.confidence: str = table.get("confidence", "A")
        self._told = Defaults(self.confidence, table.get("depth", "known"), self.source)
        check_told(self._told, place)
        self.seats: dict[str, int] = _seats(table["seats"], f"{place}: seats")
        if not self.seats:
            raise UsageError(f"{place}: seats: expected at least one")
        self.levels: tuple[int, ...] = tuple(table["levels"])
        self.just_reset: int | None = table.get("just_reset")  # None: not known
        self.wide_feature: int | None = table.get("wide_feature")
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        self.activities: dict[str, Activity] = {}
        self._by_first: dict[int, Activity] = {}
        for i, one in enumerate(table.get("activity", ())):
            self._add_activity(one, f"{place}: activity[{i}]")
        self.commands: dict[str, Command] = {}
        self._by_code: dict[tuple[int, int | None], Command] = {}
        for i, one in enumerate(table["command"]):
            self._add_command(one, f"{place}: command[{i}]")
        self._check_names(table, place)
        self.machine = States(table, place)
        self.states: tuple[str, ...] = self.machine.names  # in order of their codes, from 1
        self._unknown = "unknown" if self.confidence == "A" else "unsure"  # there may be more than the file has
        self._with_sub = {code for code, sub in self._by_code if sub is not None}
        self._bare = lru_cache(256)(lambda name, address: self._with_fields(name, address, Mode(), {}))
        self.parse_command: Callable[[bytes, Mode], Message] = lru_cache(4096)(self._parse_command)
        self.parse_answer: Callable[[str, bytes, Mode], list[Message]] = lru_cache(4096)(self._parse_answer)

    def mode(self, level: int, features: int = 0) -> Mode:
        """The mode of a device that told its level and was enabled these features."""
        return Mode(
            level, features, self.wide_feature is not None and bool(features >> self.wide_feature & 1)
        )

    def legal(self, state: str, name: str, mode: Mode, answer: bool = False) -> bool:
        """Is a command (or an answer) in order in that state?"""
        return self.machine.legal(state, name, mode.features, answer)

    def leads(self, state: str, name: str, answer: bool = False) -> str:
        """The state to which it leads from there; the same one, if to no other."""
        return self.machine.row(name, answer).after(state)

    # ---- reading the file

    def _add_activity(self, one: dict, place: str) -> None:
        activity = read_activity(one, place, self._told)
        if activity.name in self.activities:
            raise UsageError(f"{place}.name: {activity.name!r} stands twice")
        for first in activity.firsts:
            if first in self._by_first:
                key = "bits" if activity.code is None else "code"
                raise UsageError(f"{place}.{key}: {first:02X} is already {self._by_first[first].name!r}")
            self._by_first[first] = activity
        self.activities[activity.name] = activity

    def _add_command(self, one: dict, place: str) -> None:
        code, sub = self._code(one.get("code"), f"{place}.code")
        command = read_command(one, place, self._told, code, sub)
        if unknown := [name for name in command.replies if name not in self.activities]:
            raise UsageError(f"{place}.replies: there is no activity {unknown[0]!r}")
        if command.name in self.commands:
            raise UsageError(f"{place}.name: {command.name!r} stands twice")
        self.commands[command.name] = command
        self._by_code[code, sub] = command

    def _check_names(self, table: dict, place: str) -> None:
        """What the file names elsewhere has to exist."""
        first = self._by_first.get(self.just_reset)
        if self.just_reset is not None and (first is None or first.name != "JUST RESET"):
            raise UsageError(f"{place}: just_reset: {self.just_reset:#04x} is no activity named JUST RESET")
        self.start: tuple[str, ...] = tuple(table.get("start", ()))  # commands after JUST RESET, in order
        if unknown := [name for name in self.start if name not in self.commands]:
            raise UsageError(f"{place}: start: there is no command {unknown[0]!r}")

    def _code(self, text: str, place: str) -> tuple[int, int | None]:
        parts = text.split() if isinstance(text, str) else []
        if len(parts) not in (1, 2):
            raise UsageError(f'{place}: expected a code such as "0B" or "0F 01", not {text!r}')
        word, sub = byte(parts[0], place), byte(parts[1], place) if len(parts) == 2 else None
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
        return command.head + least_of(command.form.pick(mode)) + 1

    def defined(self, name: str, mode: Mode) -> bool:
        """Whether a command exists for that level with those features enabled."""
        command = self.commands[name]
        has = command.feature is None or mode.features >> command.feature & 1
        return mode.level >= command.level and bool(has)

    def _parse_command(self, data: bytes, mode: Mode = Mode()) -> Message:  # noqa: B008
        command = self.command_at(data)
        if command is None:
            raise Misfit(self._unknown, f"no command {data[:2].hex(' ').upper()}")
        with _unsure_if(command.confidence == "C"):
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
            with _unsure_if(command.confidence == "C"):
                return [Message(name, command.answer.pick(mode).parse(data))]
        messages, at, doubt = [], 0, False
        while at < len(data):
            doubt = doubt or self._doubted(data[at])
            with _unsure_if(doubt):
                message, size = self._activity_at(data, at, mode)
                self._may_stand(command, message.name)
            messages.append(message)
            at += size
        if not messages or not (command.activity or len(messages) == 1):
            raise Misfit("length", f"{len(messages)} messages in answer to {name}")
        return messages

    def _doubted(self, first: int) -> bool:
        """A code whose layout is not certain: what follows it cannot be held against anybody."""
        return first in self._by_first and self._by_first[first].confidence == "C"

    def _activity_at(self, data: bytes, at: int, mode: Mode) -> tuple[Message, int]:
        activity = self._by_first.get(data[at])
        if activity is None:
            raise Misfit(self._unknown, f"no activity {data[at]:02X}")
        code, left = activity.code is not None, len(data) - at
        layout = activity.form.fitting(mode, left - code)
        size = left if is_open(layout) else least_of(layout) + code
        if size > left:
            raise Misfit("length", f"{activity.name} takes {size} bytes, {left} are left")
        event = activity.event and activity.confidence != "C"  # nobody is held to what is not certain
        return Message(activity.name, layout.parse(data[at + code : at + size]), event), size

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


@contextmanager
def _unsure_if(doubt: bool):
    """A misfit in what is not certain is "unsure"."""
    try:
        yield
    except Misfit as misfit:
        raise Misfit("unsure", str(misfit)) if doubt else misfit from None


def _seats(table: dict, place: str) -> dict[str, int]:
    for seat, address in table.items():
        if not isinstance(address, int) or not 0 <= address <= 0xF8 or address & COMMAND_BITS:
            raise UsageError(
                f"{place}.{seat}: expected an address whose low three bits are 0, not {address!r}"
            )
    return dict(table)


def load_bus(table: dict, place: str) -> BusSpec:
    """The bus from a parsed file; UsageError names `place` and the key."""
    return BusSpec(table, place)


def load_device(table: dict, place: str) -> DeviceSpec:
    """A device from a parsed file; UsageError names `place` and the key."""
    return DeviceSpec(table, place)
