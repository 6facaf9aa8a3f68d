"""pcapng (IETF draft-ietf-opsawg-pcapng): the format that holds everything the bench saw.

One interface a link, LINKTYPE_USER0, times in nanoseconds; one packet a burst, its time the start of
the first word, its direction in `epb_flags`. The payload is big-endian, six bytes a word:

    u16  bits 7-0 data, bit 8 mode, bit 14 break, bit 15 framing error
    u32  nanoseconds of idle line before the word (0 for the first); of a break: its length

What differs from the nominal stands in comments, as `key=value;key=value`:

    section    interfaces=4                         how many follow (a cut header is told by it)
    interface  sender-out=board;uncertainty_ns=0    then what applies of edges=1;chunks=1;word_ticks=N;note=…
    packet     sender=changer;word_ns=1157407.407   who spoke where several could; a slow clock
               length_ns=N                          a break too long for its field

A further interface `machine` (LINKTYPE_USER1) carries the happenings as JSON.
"""

import json
import re
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing
from math import gcd
from pathlib import Path
from typing import NamedTuple

from benchsim.captures.base import (
    MACHINE,
    Capture,
    Writer,
    default_sender,
    link_of,
    ns_of,
    open_bytes,
    pairs_of,
    parsed,
    ticks_of,
    whole_number,
    written,
)
from benchsim.errors import UsageError
from benchsim.events import BREAK, TICKS_PER_SECOND, Burst, Happening, LinkInfo

SECTION, INTERFACE, SIMPLE_PACKET, ENHANCED_PACKET = 0x0A0D0D0A, 1, 3, 6
BYTE_ORDER = 0x1A2B3C4D
USER0, USER1 = 147, 148  # link types free for private use
END, COMMENT = 0, 1  # options of any block
HARDWARE_USER_APPLICATION = 4  # of a section: shb_userappl
NAME, RESOLUTION = 2, 9  # of an interface: if_name, if_tsresol
TIME_OFFSET = 14  # of an interface: if_tsoffset, seconds
FLAGS = 2  # of a packet: epb_flags
INBOUND, OUTBOUND = 1, 2  # epb_flags bits 1-0
LONGEST = 0xFFFFFFFF  # of a gap field, ns (4.29 s)
WORD_BYTES = 6
CHUNK = 1 << 20
BIGGEST_BLOCK = 1 << 24  # bytes; a longer one is not a block but damage
REMEMBERED = 1 << 12  # different packet options, of which the other form is kept


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def _block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + length + body + length


def _codec(count: int) -> struct.Struct:
    """Payload of that many words: value, gap, value, gap…"""
    return struct.Struct(">" + "HI" * count)


def _comment(pairs: Mapping[str, str]) -> bytes:
    return _option(COMMENT, written(pairs).encode())


def _pairs(options: Mapping[int, bytes]) -> dict[str, str]:
    return parsed(options.get(COMMENT, b"").decode("utf-8", "replace"))


# -- writing


def _interface_block(link_type: int, name: str, comment: bytes = b"") -> bytes:
    options = _option(NAME, name.encode()) + _option(RESOLUTION, b"\x09") + comment + _option(END, b"")
    return _block(INTERFACE, struct.pack("<HHI", link_type, 0, 0) + options)


class PcapngWriter(Writer):
    """Writes little-endian sections. The same events give the same bytes: no date, host or path."""

    def __init__(self, path: Path, links: list[LinkInfo]):
        super().__init__(path, links)
        self._numbers = {link.name: number for number, link in enumerate(links)}
        self._machine = len(links)
        self._tails: dict[tuple, bytes] = {}
        self._codecs = {n: _codec(n) for n in range(1, 41)}
        section = struct.pack("<IHHq", BYTE_ORDER, 1, 0, -1)
        section += _comment({"interfaces": str(len(links) + 1)})
        section += _option(HARDWARE_USER_APPLICATION, b"benchsim") + _option(END, b"")
        self._file.write(_block(SECTION, section))
        for link in links:
            pairs = pairs_of(link) | ({"note": link.note} if link.note else {})
            self._file.write(_interface_block(USER0, link.name, _comment(pairs)))
        self._file.write(_interface_block(USER1, MACHINE))
        self._file.flush()  # a run that is killed leaves a readable file

    def burst(self, burst: Burst) -> None:
        start, end, name, out, sender, words, gaps = burst
        if start < self._now:
            self._in_order(start)
        self._now = start
        count = len(words)
        flat = [0] * (2 * count)  # word, gap, word, gap…
        flat[::2] = words
        spoken = end - start
        if gaps:
            flat[1::2] = [(gap * 250 + 9) // 18 for gap in gaps]
            spoken -= sum(gaps)
        odd = ""
        if words[0] & BREAK:
            length = ns_of(spoken)
            flat[1] = min(length, LONGEST)
            if length > LONGEST:
                odd = f"length_ns={length}"
        elif spoken != count * self.links[name].word:
            odd = "word_ns=" + f"{_thousandths(spoken, count) / 1000:.3f}".rstrip("0").rstrip(".")
        tail = self._tails.get((name, out, sender, odd)) or self._tail(name, out, sender, odd)
        packer = self._codecs.get(count) or _codec(count)
        self._packet(self._numbers[name], start, packer.pack(*flat), tail)

    def happening(self, happening: Happening) -> None:
        self._in_order(happening.time)
        fields = {"seat": happening.seat, "kind": happening.kind, "data": happening.data}
        text = json.dumps(fields, sort_keys=True, separators=(",", ":")).encode()
        self._packet(self._machine, happening.time, text, b"")

    def _packet(self, interface: int, time: int, payload: bytes, tail: bytes) -> None:
        ns, size = (time * 250 + 9) // 18, len(payload)
        pad = -size % 4
        length = 32 + size + pad + len(tail)
        head = _PACKET.pack(ENHANCED_PACKET, length, interface, ns >> 32, ns & 0xFFFFFFFF, size, size)
        self._file.write(b"".join((head, payload, _PAD[pad], tail, _LENGTH.pack(length))))

    def _tail(self, name: str, out: bool, sender: str, odd: str) -> bytes:
        """The options of a packet; few differ, so each is made once."""
        options = _option(FLAGS, struct.pack("<I", OUTBOUND if out else INBOUND))
        pairs = [f"sender={sender}"] if sender != default_sender(self.links[name], out) else []
        pairs += [odd] if odd else []
        if pairs:
            options += _option(COMMENT, ";".join(pairs).encode())
        options += _option(END, b"")
        if len(self._tails) < REMEMBERED:
            self._tails[name, out, sender, odd] = options
        return options


_PACKET, _LENGTH, _PAD = struct.Struct("<IIIIIII"), struct.Struct("<I"), [b"", b"\0", b"\0\0", b"\0\0\0"]


def _thousandths(spoken: int, count: int) -> int:
    """Length of one of `count` words spoken in that many ticks, in thousandths of a nanosecond, nearest."""
    return (spoken * 250_000 // 9 + count) // (2 * count)


# -- reading


class _Interface(NamedTuple):
    link: LinkInfo | None  # None: the machine
    times: tuple[int, int, int, int]  # multiply, add, divide, add: from its time units to ticks
    said: dict[bytes, "_Said"]  # options of packets, read before


class _Said(NamedTuple):
    """What the options of a packet say."""

    out: bool
    sender: str
    plain: bool  # nothing about the length
    pairs: dict[str, str]


class PcapngCapture(Capture):
    """Reads what the writer writes, and other tools' sections of either byte order."""

    def __init__(self, path: Path, line_map: Mapping[str, str] = {}):
        super().__init__(path)
        if line_map:
            raise self._bad(0, "signals cannot be mapped here, expected interfaces with an if_name")
        with closing(self._blocks()) as blocks:
            self._read_header(blocks)

    def _bad(self, offset: int, expected: str) -> UsageError:
        return self.bad(f"offset {offset}", expected)

    def _start_over(self) -> None:
        super()._start_over()
        self._order = "<"
        self._interfaces: list[_Interface] = []
        self._promised = 0  # interfaces, where the section says how many
        self._unfinished: tuple[int, int | None] = (0, None)  # offset and type of the block cut by the end
        self._untimed = 0

    def _read_header(self, blocks: Iterator) -> None:
        """Up to the first packet, so that `links` is known before the events are."""
        for offset, kind, body in blocks:
            if kind in (SECTION, INTERFACE):
                self._declare(offset, kind, body)
            if kind == ENHANCED_PACKET or self._interfaces and len(self._interfaces) == self._promised:
                break
        offset, kind = self._unfinished
        missing = len(self._interfaces) < max(self._promised, 1)
        if missing or kind in (SECTION, INTERFACE):
            raise self._bad(offset, "the header ends here, expected whole interface blocks")

    def _blocks(self) -> Iterator[tuple[int, int, bytes]]:
        """(offset, type, what follows the length) of every whole block."""
        with open_bytes(self.path) as file:
            read, at, head_of = file.read, 0, struct.Struct("<II")
            while head := read(8):
                if at == 0 and head[:4] != b"\x0a\x0d\x0d\x0a":
                    raise self._bad(0, "expected a pcapng section header (0a 0d 0d 0a)")
                if len(head) < 8:
                    kind = struct.unpack(self._order + "I", head[:4])[0] if len(head) >= 4 else None
                    return self._cut_at(at, kind, len(head))
                magic = b""
                if head[:4] == b"\x0a\x0d\x0d\x0a":
                    magic = read(4)
                    self._order = self._byte_order(at, magic)
                    head_of = struct.Struct(self._order + "II")
                kind, length = head_of.unpack(head)
                if length < 12 or length & 3 or length > BIGGEST_BLOCK:
                    if not any(head) and not any(map(any, iter(lambda: read(CHUNK), b""))):
                        return self._cut_at(at, kind, file.tell() - at)  # space that was never written
                    raise self._bad(at + 4, f"block length {length}, expected 12, 16, 20 and so on")
                body = magic + read(length - 8 - len(magic))
                if len(body) < length - 8:
                    return self._cut_at(at, kind, 8 + len(body))
                if body[-4:] != head[4:]:
                    raise self._bad(at + length - 4, f"expected the block length {length} again")
                yield at, kind, body
                at += length
            self._unfinished = at, None

    def _byte_order(self, at: int, magic: bytes) -> str:
        if len(magic) == 4 and magic not in _BYTE_ORDERS:
            raise self._bad(at + 8, "expected the byte-order magic 1a2b3c4d")
        return _BYTE_ORDERS.get(magic, "<")

    def _cut_at(self, offset: int, kind: int | None, left: int) -> None:
        self.cut = True
        self._unfinished = offset, kind
        self.notes.append(f"cut at the end: {left} bytes of an unfinished block at offset {offset} dropped")

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
            self._interfaces.append(_Interface(None, times, {}))
            return
        if link_type != USER0 or not name:
            found = f"interface {name!r} of link type {link_type}"
            raise self._bad(offset, f"{found}, expected link type {USER0} and the link's name as if_name")
        self.links[name] = link = self._link(name, pairs, per_second, offset)
        self._interfaces.append(_Interface(link, times, {}))

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
        rounding = -(-TICKS_PER_SECOND // (2 * per_second)) if per_second < TICKS_PER_SECOND else 0
        return link._replace(uncertainty=link.uncertainty + rounding)

    def _number(self, pairs: Mapping[str, str], key: str, missing: int, offset: int) -> int:
        try:
            return whole_number(pairs, key, missing)
        except ValueError as expected:
            raise self._bad(offset, str(expected)) from None

    def events(self) -> Iterator[Burst | Happening]:
        self._start_over()
        last = end = 0
        make, codecs = tuple.__new__, {WORD_BYTES * n: _codec(n) for n in range(1, 41)}
        for offset, kind, body in self._blocks():
            if kind != ENHANCED_PACKET:
                self._aside(offset, kind, body)
                continue
            if len(body) < 24:
                raise self._bad(offset, f"packet block of {len(body) + 8} bytes, expected 32 or more")
            number, high, low, size, original = _PACKET_HEAD[self._order].unpack_from(body)
            if size != original or size > len(body) - 24:
                raise self._bad(offset + 20, f"{size} of {original} bytes, expected a whole packet")
            if number >= len(self._interfaces):
                raise self._bad(offset + 8, f"interface {number}, expected one of {len(self._interfaces)}")
            link, (multiply, add, divide, shift), tails = self._interfaces[number]
            time = ((high << 32 | low) * multiply + add) // divide + shift
            if time < last:
                raise self._bad(offset, "packet earlier than the one before it, expected times in order")
            last = time
            if link is None:
                self.end = end = max(end, time)
                yield self._happening(offset, time, body[20 : 20 + size])
                continue
            options = body[20 + size + (-size & 3) : -4]
            said = tails.get(options) or self._said(offset, link, options, tails)
            if size % WORD_BYTES or not size:
                raise self._bad(offset + 28, f"payload of {size} bytes, expected 6 a word")
            codec = codecs.get(size) or _codec(size // WORD_BYTES)
            flat = codec.unpack_from(body, 20)
            words, gaps = flat[::2], flat[1::2]
            if said.plain and not words[0] & BREAK:
                length = len(words) * link.word
            else:
                length = self._odd_length(offset, link, said.pairs, words, gaps)
            if words[0] & BREAK or not any(gaps):
                gaps = ()
            else:
                gaps = tuple([(ns * 18 + 125) // 250 for ns in gaps])
                length += sum(gaps)
            if time + length > end:
                self.end = end = time + length
            yield make(Burst, (time, time + length, link.name, said.out, said.sender, words, gaps))
        if self._untimed:
            self.notes.append(f"{self._untimed} packets without a time skipped")

    def _aside(self, offset: int, kind: int, body: bytes) -> None:
        """A block that is no packet of ours: headers are taken in, what is unknown is passed over."""
        if kind in (SECTION, INTERFACE):
            self._declare(offset, kind, body)
        self._untimed += kind == SIMPLE_PACKET

    def _said(self, offset: int, link: LinkInfo, options: bytes, tails: dict[bytes, "_Said"]) -> "_Said":
        """What the options of a packet say; few differ, so each is read once."""
        codes = self._options(offset, options)
        (flags,) = struct.unpack(self._order + "I", codes.get(FLAGS, b"").ljust(4, b"\0")[:4])
        if flags & 3 not in (INBOUND, OUTBOUND):
            raise self._bad(offset, "packet without direction, expected epb_flags inbound or outbound")
        out = flags & 3 == OUTBOUND
        pairs = _pairs(codes)
        sender = pairs.get("sender", default_sender(link, out))
        if len(tails) >= REMEMBERED:
            tails.clear()
        tails[options] = said = _Said(out, sender, not {"word_ns", "length_ns"} & pairs.keys(), pairs)
        return said

    def _odd_length(
        self, offset: int, link: LinkInfo, pairs: Mapping[str, str], words: tuple, gaps: tuple
    ) -> int:
        """Ticks spoken, gaps apart, of a break or of words that are not as long as the link's nominal."""
        if not words[0] & BREAK:
            count = len(words)
            return self._spoken(offset, pairs["word_ns"], count) if "word_ns" in pairs else count * link.word
        if len(words) != 1:
            raise self._bad(offset + 28, f"{len(words)} words, expected a break alone in its packet")
        return ticks_of(self._number(pairs, "length_ns", gaps[0], offset))

    def _spoken(self, offset: int, word_ns: str, count: int) -> int:
        """Ticks that `count` words of that many nanoseconds take."""
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


_BYTE_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
_PACKET_HEAD = {order: struct.Struct(order + "IIIII") for order in "<>"}
