"""The audit link, read from its protocol file: control codes, handshake blocks, check, limits.

Sizes are bytes, times ticks. UsageError names file and key of what is wrong in the file; `Misfit` says
what is wrong with the data of a block.
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.check import Check, parse_check
from benchsim.schema.fields import Misfit
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat, only, parse_limits, parse_word

CODES = {"SOH", "STX", "ETX", "EOT", "ENQ", "DLE", "NAK", "ETB", "ACK0", "ACK1", "WAIT"}
LONG = {"ACK0", "ACK1", "WAIT"}  # DLE and one more
LIMITS = {"gap", "answer", "silence", "block", "tries", "waits"}


class Run(NamedTuple):
    """A field of a handshake block: so many characters."""

    name: str
    size: int


class AuditSpec:
    """The audit link. Attributes are read-only."""

    def __init__(self, table: dict, place: str):
        only(table, place, {"kind", "name", "title", "asks", "answers", "source", "word", "check", "codes",
                            "handshake", "limits"})  # fmt: skip
        self.name, self.title, self.source = table["name"], table["title"], table["source"]
        self.asks, self.answers = table["asks"], table["answers"]
        self.word: WordFormat = parse_word(table["word"], f"{place}: word")
        self.check: Check = parse_check(table["check"], f"{place}: check")
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        only(table["limits"], f"{place}: limits", LIMITS)
        self.codes = _codes(table["codes"], f"{place}: codes")
        self.names = {wire: name for name, wire in self.codes.items()}
        hands = table["handshake"]
        only(hands, f"{place}: handshake", {"request", "response", "revision", "good", "refused", "operations"})
        self.revision, self.good, self.refused = hands["revision"], hands["good"], hands["refused"]
        self.operations: dict[str, str] = hands["operations"]
        self.request = _runs(hands["request"], f"{place}: handshake.request")
        self.response = _runs(hands["response"], f"{place}: handshake.response")

    # ---- handshake blocks

    def build_request(self, **values: str) -> bytes:
        """Data of the first handshake's block; Misfit for values that do not fit."""
        return _build(self.request, {"revision": self.revision, **values})

    def build_response(self, **values: str) -> bytes:
        """Data of the second handshake's block; Misfit for values that do not fit."""
        return _build(self.response, {"revision": self.revision, **values})

    def parse_request(self, data: bytes) -> dict[str, str]:
        """The first handshake's block; Misfit for a wrong length or an unknown operation."""
        fields = _parse(self.request, data)
        if fields["operation"] not in self.operations:
            raise Misfit("range", f"operation = {fields['operation']}, expected {', '.join(self.operations)}")
        return fields

    def parse_response(self, data: bytes) -> dict[str, str]:
        """The second handshake's block; Misfit for a wrong length or a result that is no number."""
        fields = _parse(self.response, data)
        if not fields["result"].isdigit():
            raise Misfit("range", f"result = {fields['result']}, expected two digits")
        return fields

    # ---- for people

    def handshake_text(self, data: bytes) -> str:
        """A handshake block in words, whatever it holds."""
        try:
            if len(data) == sum(run.size for run in self.response):
                fields = self.parse_response(data)
                return f"response {fields['result']}, id {fields['id'].strip()}, {fields['revision']}"
            fields = self.parse_request(data)
            return f"{self.operations[fields['operation']]}, id {fields['id'].strip()}, {fields['revision']}"
        except Misfit as misfit:
            return f"{data.hex(' ')} ({misfit})"


def _codes(table: dict, place: str) -> dict[str, bytes]:
    only(table, place, CODES)
    codes = {}
    for name, text in table.items():
        try:
            codes[name] = bytes.fromhex(text)
        except (ValueError, TypeError):
            raise UsageError(f'{place}.{name}: expected bytes in hex such as "10 30", not {text!r}') from None
        if len(codes[name]) != (2 if name in LONG else 1):
            raise UsageError(f"{place}.{name}: expected {'two bytes' if name in LONG else 'one byte'}, not {text!r}")
    if any(codes[name][:1] != codes["DLE"] for name in LONG):
        raise UsageError(f"{place}: {', '.join(sorted(LONG))} begin with DLE")
    if len(set(codes.values())) != len(codes):
        raise UsageError(f"{place}: two names have one code")
    return codes


def _runs(rows: list[str], place: str) -> tuple[Run, ...]:
    runs = []
    for row in rows:
        name, _, size = str(row).partition(" ")
        if not name or not size.isdigit() or not int(size):
            raise UsageError(f'{place}: expected a name and a number of characters such as "id 10", not {row!r}')
        runs.append(Run(name, int(size)))
    return tuple(runs)


def _build(runs: tuple[Run, ...], values: dict[str, str]) -> bytes:
    if unknown := set(values) - {run.name for run in runs}:
        raise Misfit("range", f"no field {min(unknown)}")
    out = b""
    for name, size in runs:
        text = values[name].ljust(size)
        if len(text) != size or not (text.isascii() and text.isprintable()):
            raise Misfit("range", f"{name} = {values[name]!r}, expected {size} printable characters")
        out += text.encode("ascii")
    return out


def _parse(runs: tuple[Run, ...], data: bytes) -> dict[str, str]:
    wanted = sum(run.size for run in runs)
    if len(data) != wanted:
        raise Misfit("length", f"{len(data)} characters, expected {wanted}")
    if any(not 0x20 <= byte < 0x7F for byte in data):
        raise Misfit("range", "a character that is not printable")
    fields, at = {}, 0
    for name, size in runs:
        fields[name] = data[at : at + size].decode("ascii")
        at += size
    return fields
