"""pcapng, written: little-endian sections, the same events give the same bytes."""

import json
import struct
from collections.abc import Mapping
from pathlib import Path

from benchsim.captures.base import MACHINE, Writer, default_sender, ns_of, pairs_of, written
from benchsim.captures.pcapng import (
    BYTE_ORDER,
    COMMENT,
    END,
    ENHANCED_PACKET,
    FLAGS,
    HARDWARE_USER_APPLICATION,
    INBOUND,
    INTERFACE,
    LONGEST,
    NAME,
    OUTBOUND,
    RESOLUTION,
    SECTION,
    USER0,
    USER1,
    codec,
)
from benchsim.events import BREAK, Burst, Happening, LinkInfo

REMEMBERED = 1 << 12  # different packet options, kept as they are written


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def _block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + length + body + length



def _comment(pairs: Mapping[str, str]) -> bytes:
    return _option(COMMENT, written(pairs).encode())


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
        self._codecs = {n: codec(n) for n in range(1, 41)}
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
        odd = ""
        if gaps:
            flat[1::2] = gaps_ns = [(gap * 250 + 9) // 18 for gap in gaps]
            spoken -= sum(gaps)
            if max(gaps_ns) > LONGEST:
                flat[1::2], odd = _too_long(gaps_ns)
        if words[0] & BREAK:
            length = ns_of(spoken)
            flat[1] = min(length, LONGEST)
            if length > LONGEST:
                odd = f"length_ns={length}"
        elif spoken != count * self.links[name].word:
            word_ns = f"{_thousandths(spoken, count) / 1000:.3f}".rstrip("0").rstrip(".")
            odd = ";".join(filter(None, (f"word_ns={word_ns}", odd)))
        tail = self._tails.get((name, out, sender, odd)) or self._tail(name, out, sender, odd)
        packer = self._codecs.get(count) or codec(count)
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


def _too_long(gaps_ns: list[int]) -> tuple[list[int], str]:
    """Gaps as far as their field goes, and what the comment says of those that are longer."""
    told = ",".join(f"{at}:{ns}" for at, ns in enumerate(gaps_ns) if ns > LONGEST)
    return [min(ns, LONGEST) for ns in gaps_ns], f"gap_ns={told}"


def _thousandths(spoken: int, count: int) -> int:
    """Length of one of `count` words spoken in that many ticks, in thousandths of a nanosecond, nearest."""
    return (spoken * 250_000 // 9 + count) // (2 * count)
