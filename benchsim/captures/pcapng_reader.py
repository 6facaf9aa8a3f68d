"""pcapng, read: what our writer writes, and other tools' sections of either byte order."""

import json
import re
import struct
from collections.abc import Iterator, Mapping
from math import gcd
from pathlib import Path
from typing import NamedTuple

from benchsim.captures.base import (
    MACHINE,
    Capture,
    default_sender,
    link_of,
    parsed,
    ticks_of,
    whole_number,
)
from benchsim.captures.pcapng import (
    COMMENT,
    END,
    ENHANCED_PACKET,
    FLAGS,
    INBOUND,
    INTERFACE,
    NAME,
    OUTBOUND,
    RESOLUTION,
    SECTION,
    SIMPLE_PACKET,
    TIME_OFFSET,
    USER0,
    USER1,
    WORD_BYTES,
    codec,
)
from benchsim.captures.pcapng_blocks import Blocks
from benchsim.errors import UsageError
from benchsim.events import BREAK, TICKS_PER_SECOND, Burst, Happening, LinkInfo

REMEMBERED = 1 << 10  # different packets and options, of which the other form is kept


class _Shape(NamedTuple):
    """A packet of a link without its time."""

    length: int  # ticks
    out: bool
    sender: str
    words: tuple[int, ...]
    gaps: tuple[int, ...]


class _Interface(NamedTuple):
    link: LinkInfo | None  # None: the machine
    times: tuple[int, int, int, int]  # multiply, add, divide, add: from its time units to ticks
    shapes: dict[bytes, _Shape]  # packets, from their length on, read before
    said: dict[bytes, tuple[bool, str, dict[str, str]]]  # options of packets, read before

    def ticks(self, time: int) -> int:
        """Of a time as packets tell it."""
        multiply, add, divide, shift = self.times
        return (time * multiply + add) // divide + shift


class PcapngCapture(Capture):
    """Reads what the writer writes, and other tools' sections of either byte order."""

    def __init__(self, path: Path, line_map: Mapping[str, str] = {}):
        super().__init__(path)
        if line_map:
            raise self._bad(0, "signals cannot be mapped here, expected interfaces with an if_name")
        with self._opened() as blocks:
            self._read_header(blocks)

    def _bad(self, offset: int, expected: str) -> UsageError:
        return self.bad(f"offset {offset}", expected)

    def _start_over(self) -> None:
        super()._start_over()
        self._interfaces: list[_Interface] = []
        self._promised = 0  # interfaces, where the section says how many
        self._untimed = 0
        self._last = 0  # ticks, the last packet

    def _opened(self) -> Blocks:
        self._blocks = Blocks(self.path, self._bad)
        return self._blocks

    @property
    def _order(self) -> str:
        """Of the bytes of the section that is read."""
        return self._blocks.order

    def _read_header(self, blocks: Blocks) -> None:
        """Up to the first packet, so that `links` is known before the events are."""
        for offset, kind, body in blocks:
            if kind in (SECTION, INTERFACE):
                self._declare(offset, kind, body)
            if kind == ENHANCED_PACKET or self._interfaces and len(self._interfaces) == self._promised:
                break
        offset, kind = blocks.unfinished
        missing = len(self._interfaces) < max(self._promised, 1)
        if missing or kind in (SECTION, INTERFACE):
            raise self._bad(offset, "the header ends here, expected whole interface blocks")

    def _over(self) -> None:
        """All blocks are read."""
        if self._blocks.left is not None:
            self.cut = True
            offset, _ = self._blocks.unfinished
            self.notes.append(f"cut at the end: {self._blocks.left} bytes of an unfinished block at offset {offset} dropped")

    def _options(self, offset: int, data: bytes) -> dict[int, bytes]:
        """Options by code; of several comments the first counts."""
        options, at = {}, 0
        while at + 4 <= len(data):
            code, length = struct.unpack_from(self._order + "HH", data, at)
            if code == END:
                break
            if at + 4 + length > len(data):
                raise self._bad(offset, f"option {code} longer than its block, expected whole options")
            options.setdefault(code, data[at + 4 : at + 4 + length])
            at += 4 + length + (-length & 3)
        return options

    def _declare(self, offset: int, kind: int, body: bytes) -> None:
        """A section or an interface."""
        fixed = 16 if kind == SECTION else 8
        if len(body) < fixed + 4:
            raise self._bad(offset, f"block of {len(body) + 8} bytes, expected {fixed + 12} or more")
        options = self._options(offset, body[fixed:-4])
        pairs = _pairs(options)
        if kind == SECTION:
            self._interfaces = []
            self._promised = self._number(pairs, "interfaces", 0, offset)
            return
        (link_type,) = struct.unpack_from(self._order + "H", body)
        name = options.get(NAME, b"").decode("utf-8", "replace")
        per_second, times = self._times(offset, options)
        if link_type == USER1 and name == MACHINE:
            self.has_machine = True
            self._interfaces.append(_Interface(None, times, {}, {}))
            return
        if link_type != USER0 or not name:
            found = f"interface {name!r} of link type {link_type}"
            raise self._bad(offset, f"{found}, expected link type {USER0} and the link's name as if_name")
        link = self._link(name, pairs, per_second, offset)
        self.links.setdefault(name, link)  # read again it stays what the user may have made of it
        self._interfaces.append(_Interface(link, times, {}, {}))

    def _times(self, offset: int, options: Mapping[int, bytes]) -> tuple[int, tuple[int, int, int, int]]:
        """Units a second (powers of ten or two) and how to make ticks of them, to the nearest."""
        code = (options.get(RESOLUTION) or b"\x06")[0]
        per_second = 2 ** (code & 0x7F) if code & 0x80 else 10**code
        shared = gcd(per_second, TICKS_PER_SECOND)
        multiply, divide = TICKS_PER_SECOND // shared, per_second // shared
        shift = options.get(TIME_OFFSET, bytes(8))
        if len(shift) != 8:
            raise self._bad(offset, f"if_tsoffset of {len(shift)} bytes, expected 8")
        seconds = struct.unpack(self._order + "q", shift)[0]
        return per_second, (2 * multiply, divide, 2 * divide, seconds * TICKS_PER_SECOND)

    def _link(self, name: str, pairs: Mapping[str, str], per_second: int, offset: int) -> LinkInfo:
        """A coarse resolution of the interface's times counts into the doubt."""
        try:
            link = link_of(name, pairs)
        except ValueError as expected:
            raise self._bad(offset, str(expected)) from None
        # Both ends of a time are off by half a unit at most.
        rounding = -(-TICKS_PER_SECOND // per_second) if per_second < TICKS_PER_SECOND else 0
        return link._replace(uncertainty=link.uncertainty + rounding)

    def _number(self, pairs: Mapping[str, str], key: str, missing: int, offset: int) -> int:
        try:
            return whole_number(pairs, key, missing)
        except ValueError as expected:
            raise self._bad(offset, str(expected)) from None

    def events(self) -> Iterator[Burst | Happening]:
        self._start_over()
        with self._opened() as blocks:
            for offset, kind, body in blocks:
                if kind != ENHANCED_PACKET:
                    self._aside(offset, kind, body)
                    continue
                number, high, low = self._head(offset, body)
                if number >= len(self._interfaces):
                    raise self._bad(offset + 8, f"interface {number}, expected one of {len(self._interfaces)}")
                interface = self._interfaces[number]
                time = interface.ticks(high << 32 | low)
                if time < self._last:
                    raise self._bad(offset, "packet earlier than the one before it, expected times in order")
                self._last = time
                if interface.link is None:
                    self.end = max(self.end, time)
                    yield self._happening(offset, time, self._payload(offset, body))
                    continue
                length, *told = interface.shapes.get(body[12:]) or self._shape(offset, interface, body)
                self.end = max(self.end, time + length)
                yield Burst(time, time + length, interface.link.name, *told)
                yield from self._known(blocks)
        self._over()
        if self._untimed:
            self.notes.append(f"{self._untimed} packets without a time skipped")

    def _known(self, blocks: Blocks) -> Iterator[Burst]:
        """Packets that differ from earlier ones in nothing but their times: most do."""
        data, at, last, end, make = blocks.data, blocks.at, self._last, self.end, tuple.__new__
        unpack = _HEAD[blocks.order].unpack_from
        interfaces = [(*one.times, one.shapes.get, one.link and one.link.name) for one in self._interfaces]
        try:
            while len(data) - at >= _LEAST:
                kind, size, number, high, low = unpack(data, at)
                if kind != ENHANCED_PACKET or number >= len(interfaces):
                    break
                multiply, add, divide, shift, get, name = interfaces[number]
                time = ((high << 32 | low) * multiply + add) // divide + shift
                shape = get(data[at + 20 : at + size])
                if shape is None or time < last:
                    break
                length, out, sender, words, gaps = shape
                last, at = time, at + size
                if time + length > end:
                    end = time + length
                yield make(Burst, (time, time + length, name, out, sender, words, gaps))
        finally:
            blocks.at, self._last, self.end = at, last, end

    def happenings(self) -> Iterator[Happening]:
        self._start_over()
        with self._opened() as blocks:
            for offset, kind, body in blocks:
                if kind != ENHANCED_PACKET:
                    self._aside(offset, kind, body)
                    continue
                number, high, low = self._head(offset, body)
                if number < len(self._interfaces) and self._interfaces[number].link is None:
                    time = self._interfaces[number].ticks(high << 32 | low)
                    yield self._happening(offset, time, self._payload(offset, body))
        self._over()

    def _head(self, offset: int, body: bytes) -> tuple[int, int, int]:
        """Number of the interface, and the two halves of the time."""
        if len(body) < 24:
            raise self._bad(offset, f"packet block of {len(body) + 8} bytes, expected 32 or more")
        return struct.unpack_from(self._order + "III", body)

    def _payload(self, offset: int, body: bytes) -> bytes:
        size, original = struct.unpack_from(self._order + "II", body, 12)
        if size != original or size > len(body) - 24:
            raise self._bad(offset + 20, f"{size} of {original} bytes, expected a whole packet")
        return body[20 : 20 + size]

    def _shape(self, offset: int, interface: "_Interface", body: bytes) -> "_Shape":
        """All of a packet but its time. Many are alike, so that each is read once."""
        link, payload = interface.link, self._payload(offset, body)
        size = len(payload)
        if size % WORD_BYTES or not size:
            raise self._bad(offset + 28, f"payload of {size} bytes, expected 6 a word")
        flat = (_CODECS.get(size) or codec(size // WORD_BYTES)).unpack(payload)
        words, gaps = flat[::2], flat[1::2]
        options = body[20 + size + (-size & 3) : -4]
        out, sender, pairs = interface.said.get(options) or self._said(offset, interface, options)
        if words[0] & BREAK:
            if len(words) != 1:
                raise self._bad(offset + 28, f"{len(words)} words, expected a break alone in its packet")
            shape = _Shape(ticks_of(self._number(pairs, "length_ns", gaps[0], offset)), out, sender, words, ())
        else:
            if "gap_ns" in pairs:
                gaps = self._long_gaps(offset, pairs["gap_ns"], gaps)
            gaps = tuple([(ns * 18 + 125) // 250 for ns in gaps]) if any(gaps) else ()
            length = self._spoken(offset, link, pairs, len(words)) if pairs else len(words) * link.word
            shape = _Shape(length + sum(gaps), out, sender, words, gaps)
        return _remember(interface.shapes, body[12:], shape)

    def _long_gaps(self, offset: int, told: str, gaps: tuple[int, ...]) -> list[int]:
        """The gaps with those that their fields are too short for, ns."""
        all_gaps = list(gaps)
        for one in told.split(","):
            at, _, ns = one.partition(":")
            if not re.fullmatch(r"\d{1,6}:\d{1,18}", one, re.ASCII) or int(at) >= len(gaps):
                raise self._bad(offset, f"gap_ns={told}, expected WORD:NANOSECONDS,…")
            all_gaps[int(at)] = int(ns)
        return all_gaps

    def _aside(self, offset: int, kind: int, body: bytes) -> None:
        """A block that is no packet of ours: headers are taken in, what is unknown is passed over."""
        if kind in (SECTION, INTERFACE):
            self._declare(offset, kind, body)
        self._untimed += kind == SIMPLE_PACKET

    def _said(self, offset: int, interface: "_Interface", options: bytes) -> tuple[bool, str, dict[str, str]]:
        """What the options of a packet say: direction, sender, and what differs from the nominal."""
        codes = self._options(offset, options)
        (flags,) = struct.unpack(self._order + "I", codes.get(FLAGS, b"").ljust(4, b"\0")[:4])
        if flags & 3 not in (INBOUND, OUTBOUND):
            raise self._bad(offset, "packet without direction, expected epb_flags inbound or outbound")
        out, pairs = flags & 3 == OUTBOUND, _pairs(codes)
        sender = pairs.pop("sender", default_sender(interface.link, out))
        return _remember(interface.said, options, (out, sender, pairs))

    def _spoken(self, offset: int, link: LinkInfo, pairs: Mapping[str, str], count: int) -> int:
        """Ticks that `count` words take, gaps apart."""
        if "word_ns" not in pairs:
            return count * link.word
        word_ns = pairs["word_ns"]
        if not re.fullmatch(r"\d{1,12}(\.\d{1,3})?", word_ns, re.ASCII):
            raise self._bad(offset, f"word_ns={word_ns}, expected up to three decimals")
        whole, _, part = word_ns.partition(".")
        return (int(whole + part.ljust(3, "0")) * count * 18 + 125_000) // 250_000

    def _happening(self, offset: int, time: int, payload: bytes) -> Happening:
        try:
            fields = json.loads(payload)
            happening = Happening(time, fields["seat"], fields["kind"], fields["data"])
        except (ValueError, KeyError, TypeError, RecursionError):
            happening = None
        if not happening or [type(field) for field in happening[1:]] != [str, str, dict]:
            raise self._bad(offset + 28, 'expected JSON {"data": {…}, "kind": "…", "seat": "…"}')
        return happening


def _remember(known: dict, key: bytes, value):
    """`value`, kept for the next of its kind."""
    if len(known) >= REMEMBERED:
        known.clear()
    known[key] = value
    return value


_CODECS = {WORD_BYTES * count: codec(count) for count in range(1, 41)}
_HEAD = {order: struct.Struct(order + "IIIII") for order in "<>"}  # of a packet: type, length, interface, time
_LEAST = 20  # bytes of that


def _pairs(options: Mapping[int, bytes]) -> dict[str, str]:
    return parsed(options.get(COMMENT, b"").decode("utf-8", "replace"))
