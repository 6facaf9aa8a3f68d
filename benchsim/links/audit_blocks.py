"""The audit link's bytes to control codes and blocks (EVA DTS 6.1, DEX/UCS link layer, from memory).

No clock, no port, no file here. The same reader serves both sides, the judge and `decode`.

    ENQ, EOT, NAK               one byte
    ACK0, ACK1, WAIT            DLE and one more
    DLE SOH data DLE ETX check  a block of a handshake
    DLE STX data DLE ETB check  a block of data; the last one ends with ETX

A control character that follows noise without a pause belongs to it: it is the rest of a block whose beginning was
damaged. The check is taken over the data and the closing ETB or ETX, without any DLE. Data hold no DLE.
"""

from typing import NamedTuple

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.schema.audit import AuditSpec
from benchsim.schema.fields import Misfit

HEAD, DATA, NOISE = "HEAD", "DATA", "NOISE"
LONGEST = 8  # blocks may be so many times over the limit before the reader gives up


class Item(NamedTuple):
    """One control code or block. `broken` is empty for a good one; of noise it is ("noise",)."""

    name: str  # HEAD, DATA, NOISE or a code's name
    start: int  # ticks, start of its first byte
    end: int  # ticks, end of its last byte
    out: bool
    sender: str
    raw: bytes  # as on the wire
    data: bytes = b""
    last: bool = False  # it ended with ETX
    broken: tuple[str, ...] = ()  # of "check", "cut", "gap", "length", "escape", "framing", "noise"
    worst_gap: int = 0  # ticks, longest idle line between two of its bytes

    @property
    def is_block(self) -> bool:
        """A block, good or broken?"""
        return self.name in (HEAD, DATA)


def code(spec: AuditSpec, name: str) -> bytes:
    """A control code as it goes over the wire."""
    return spec.codes[name]


def wrap(spec: AuditSpec, data: bytes, last: bool, head: bool = False) -> bytes:
    """A block as it goes over the wire; Misfit for data with a DLE in it."""
    dle, closing = spec.codes["DLE"], spec.codes["ETX" if last else "ETB"]
    if dle in data:
        raise Misfit("range", "a DLE in the data of a block")
    return dle + spec.codes["SOH" if head else "STX"] + data + dle + closing + spec.check.bytes_of(data + closing)


def cut_up(spec: AuditSpec, data: bytes) -> list[bytes]:
    """A text in pieces that each fit a block; an empty text is one empty piece."""
    most = spec.limits["block"].high
    return [data[i : i + most] for i in range(0, len(data), most)] or [b""]


def text(spec: AuditSpec, item: Item, most: int | None = None) -> str:
    """One line that a person can read, whatever the bytes are; of a block's data at most so many characters."""
    wrong = f" [broken: {', '.join(item.broken)}]" if item.broken and item.name != NOISE else ""
    if item.name == HEAD:
        return f"handshake: {spec.handshake_text(item.data)}{wrong}"
    if item.name == DATA:
        shown = item.data.decode("ascii", "backslashreplace").replace("\r\n", " / ").strip()
        shown = shown if most is None or len(shown) <= most else f"{shown[:most]} ..."
        return f"block{' (last)' if item.last else ''}, {len(item.data)} bytes: {shown}{wrong}"
    return f"noise {item.raw.hex(' ')}" if item.name == NOISE else item.name


class ItemReader:
    """Assembles the items of one direction from bursts of any size.

    A block or code that stops in its middle is dropped after `patience` ticks of silence (`expire`).
    """

    def __init__(self, spec: AuditSpec, patience: int | None = None):
        self.spec = spec
        self.patience = 2 * spec.limits["gap"].high if patience is None else patience
        codes = spec.codes
        self._dle = codes["DLE"][0]
        self._short = {codes[name][0]: name for name in ("ENQ", "EOT", "NAK")}
        self._long = {codes[name][1]: name for name in ("ACK0", "ACK1", "WAIT")}
        self._opens = {codes["SOH"][0]: HEAD, codes["STX"][0]: DATA}
        self._closes = {codes["ETB"][0]: False, codes["ETX"][0]: True}
        self._most = LONGEST * spec.limits["block"].high
        self._end = 0
        self._rubbish: int | None = None  # until when noise lasted
        self._dle_at = 0, 0  # end of the word before the last DLE, its own start
        self._clear()

    def _clear(self) -> None:
        self._name = ""  # of the block under way
        self._raw, self._data = bytearray(), bytearray()
        self._start: int | None = None
        self._lifted = False  # the last byte was a DLE
        self._closing: int | None = None  # the byte that closed the data: the check follows
        self._check = b""
        self._spoilt: list[str] = []
        self._worst = 0

    @property
    def begun(self) -> int | None:
        """Start of the item under way, or None."""
        return self._start

    @property
    def deadline(self) -> int | None:
        """When silence will drop the item under way (`expire`)."""
        return None if self._start is None else self._end + self.patience

    def expire(self, now: int) -> list[Item]:
        """Silence until `now`: what is under way for too long is dropped."""
        if self._start is None or now - self._end <= self.patience:
            return []
        self._worst = max(self._worst, now - self._end)
        return [self._drop("gap")]

    def feed(self, burst: Burst) -> list[Item]:
        """Words of this direction, in order of time. Returns the items that they complete."""
        items: list[Item] = []
        length = burst.word_ticks()
        for word, start in zip(burst.words, burst.word_starts(), strict=True):
            items += self.expire(start)
            self._out, self._sender = burst.out, burst.sender
            if word & 0xFF == self._dle:
                self._dle_at = self._end, start
            if self._rubbish is not None and start - self._rubbish > length:
                self._rubbish = None
            if self._start is None:
                self._start = start
            else:
                self._worst = max(self._worst, start - self._end)
            self._end = start + length
            if word & BREAK:
                items.append(self._drop("framing"))
            else:
                item = self._byte(word & 0xFF, bool(word & FRAMING))
                items += [item] if item else []
        return _one_noise(items)

    def _byte(self, byte: int, spoilt: bool) -> Item | None:
        self._raw.append(byte)
        if spoilt:
            self._spoilt.append("framing")
        return self._in_block(byte) if self._name else self._outside(byte, spoilt)

    def _outside(self, byte: int, spoilt: bool) -> Item | None:
        if spoilt:
            return self._item(NOISE, broken=("noise",))
        if not self._lifted:
            if byte == self._dle:
                self._lifted = True
                return None
            name = self._short.get(byte, NOISE) if self._rubbish is None else NOISE
            return self._item(name, broken=() if name != NOISE else ("noise",))
        self._lifted = False
        if byte in self._opens:
            self._name = self._opens[byte]
            return None
        name = self._long.get(byte, NOISE) if self._rubbish is None else NOISE
        return self._item(name, broken=() if name != NOISE else ("noise",))

    def _in_block(self, byte: int) -> Item | None:
        if self._closing is not None:
            self._check += bytes((byte,))
            return self._closed() if len(self._check) == self.spec.check.size else None
        if self._lifted:
            self._lifted = False
            if byte in self._closes:
                self._closing = byte
                return None
            if byte in self._opens:
                return self._begins_anew(byte)
            self._spoilt.append("escape")
            self._data += bytes((self._dle, byte))
        elif byte == self._dle:
            self._lifted = True
        else:
            self._data.append(byte)
        return self._drop("length") if len(self._data) > self._most else None

    def _closed(self) -> Item:
        data = bytes(self._data)
        right = self.spec.check.bytes_of(data + bytes((self._closing,))) == self._check
        broken = tuple(dict.fromkeys((*(() if right else ("check",)), *self._spoilt)))
        return self._item(self._name, data, self._closes[self._closing], broken)

    def _begins_anew(self, byte: int) -> Item:
        """DLE SOH or DLE STX inside a block: the sender began again."""
        head = bytes(self._raw[-2:])
        del self._raw[-2:]
        end, (before, start) = self._end, self._dle_at
        self._end = before
        dropped = self._drop("cut")
        self._start, self._end, self._name = start, end, self._opens[byte]
        self._raw += head
        return dropped

    def _drop(self, why: str) -> Item:
        return self._item(self._name or NOISE, bytes(self._data), False, tuple(dict.fromkeys((why, *self._spoilt))))

    def _item(self, name: str, data: bytes = b"", last: bool = False, broken: tuple[str, ...] = ()) -> Item:
        item = Item(name, self._start, self._end, self._out, self._sender, bytes(self._raw), data, last, broken,
                    self._worst)  # fmt: skip
        self._rubbish = self._end if name == NOISE else None
        self._clear()
        return item


def _one_noise(items: list[Item]) -> list[Item]:
    """Bytes of noise that follow each other, as one item."""
    merged: list[Item] = []
    for item in items:
        if item.name == NOISE and merged and merged[-1].name == NOISE:
            before = merged[-1]
            merged[-1] = before._replace(end=item.end, raw=before.raw + item.raw)
        else:
            merged.append(item)
    return merged
