"""VCD, read: levels of whatever a logic analyser exports, to words."""

import re
from collections.abc import Iterator, Mapping
from heapq import heappop, heappush
from itertools import islice, pairwise
from math import gcd, inf
from pathlib import Path
from typing import BinaryIO, NamedTuple

from benchsim.captures.base import NOMINAL, Capture, default_sender, link_of, open_bytes, parsed
from benchsim.captures.uart import ENOUGH, LONGEST_BREAK, Receiver
from benchsim.captures.vcd import data_bits, wires_of
from benchsim.events import BREAK, FRAMING, TICKS_PER_SECOND, TICKS_PER_US, Burst, LinkInfo

UNITS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15}  # in a second
LOOKED_AT = 50_000  # changes from which polarity and sample period are found
COARSEST = 4  # samples a bit, at the least: with fewer, 2 % of a clock and a sample spoil the last bits
PROOF = 3  # whole words, for a line that begins at 1 to be held for inverted
ENOUGH_TIMES = 16  # changes; fewer do not tell a sample period
PREAMBLE = b"META "  # sigrok-cli 0.7 puts one such line ahead of the VCD that it writes
LONGEST_HEADER = 1 << 20  # bytes


class _Signal(NamedTuple):
    code: bytes
    name: str  # with its scopes, by points
    bits: int


class VcdCapture(Capture):
    """Levels to words; one burst a word, in order of their starts over all wires."""

    def __init__(self, path: Path, line_map: Mapping[str, str] = {}):
        super().__init__(path)
        self._line_map = line_map
        self._signals: list[_Signal] = []
        self._declared: dict[str, LinkInfo] = {}
        self._scale = (0, 1)  # a time unit in ticks, as a fraction
        self._wires: dict[str, bytes] = {}  # ours, and the codes that stand for them
        self._inverted: set[str] = set()  # wires that idle at 0
        self._edge = 0  # ticks by which an edge may be off
        self._deaf: list[str] = []  # links that were sampled too coarsely, and why
        with open_bytes(path) as file:
            self._header(file)
        self._find_wires()
        self._look_ahead()

    # header

    def _header(self, file: BinaryIO) -> tuple[int, list[bytes]]:
        """Read the declarations. Returns the line number reached and what is left of that line."""
        self._signals = []
        scopes: list[str] = []
        words: list[str] = []  # of the declaration at hand
        number, size = 0, 0
        for number, line in enumerate(file, 1):
            size += len(line)
            tokens = [] if number == 1 and line.startswith(PREAMBLE) else line.split()
            for at, token in enumerate(tokens):
                word = token.decode("utf-8", "replace")
                if not words and not word.startswith("$"):
                    raise self.bad(
                        str(number), f"{word[:40]!r}, expected a VCD declaration ($timescale, $var…)"
                    )
                if word != "$end":
                    words.append(word)
                    continue
                if words[:1] == ["$enddefinitions"]:
                    if not self._scale[0]:
                        raise self.bad(str(number), "no time scale so far, expected $timescale")
                    return number, tokens[at + 1 :]
                self._declare(number, words, scopes)
                words = []
            if size > LONGEST_HEADER:
                break
        raise self.bad(str(max(number, 1)), "the header ends here, expected $enddefinitions $end")

    def _declare(self, number: int, words: list[str], scopes: list[str]) -> None:
        match words:
            case ["$timescale", *scale]:
                found = re.fullmatch(r"([0-9]{1,4})(s|ms|us|ns|ps|fs)", "".join(scale))
                if not found or not int(found[1]):
                    raise self.bad(str(number), f"time scale {' '.join(scale)!r}, expected one like 1 us")
                self._scale = int(found[1]) * TICKS_PER_SECOND, UNITS[found[2]]
            case ["$scope", _, name, *_]:
                scopes.append(name)
            case ["$upscope", *_]:
                del scopes[-1:]
            case ["$var", _, bits, code, name, *_] if bits.isdigit():
                name = re.sub(r"\[[0-9:]*\]$", "", name)
                self._signals.append(_Signal(code.encode(), ".".join([*scopes, name]), int(bits)))
            case ["$var", *_]:
                raise self.bad(str(number), "expected $var TYPE BITS CODE NAME $end")
            case ["$comment", *text]:
                pairs = parsed(" ".join(text))
                if "link" in pairs:
                    try:
                        self._declared[pairs["link"]] = link_of(pairs["link"], pairs)
                    except ValueError as expected:
                        raise self.bad(str(number), str(expected)) from None

    def _find_wires(self) -> None:
        """Which signal is which of our wires: by the line map, else by our name."""
        known = {wire: name for name in {**NOMINAL, **self._declared} for wire in wires_of(name)}
        for wire in self._line_map:
            if wire not in known:
                raise self.bad("line map", f"{wire!r}, expected one of {', '.join(known)}")
        for wire in known:
            signal = self._find(self._line_map.get(wire, wire), must=wire in self._line_map)
            if signal:
                self._wires[wire] = signal.code
        if not self._wires:
            names = ", ".join(signal.name for signal in self._signals[:20]) or "none"
            raise self.bad("signals", f"{names}, expected {', '.join(known)} or a line map (bus_out=SIGNAL)")
        for name in dict.fromkeys(known[wire] for wire in self._wires):
            link = self._declared.get(name) or link_of(name, {"edges": "1"})
            deaf = [way for way in ("out", "in") if f"{name}_{way}" in wires_of(name) and f"{name}_{way}" not in self._wires]
            self.links[name] = link._replace(deaf=deaf[0] if deaf else link.deaf)

    def _find(self, name: str, must: bool) -> _Signal | None:
        """The signal of that name, with or without its scopes."""
        found = [s for s in self._signals if s.name == name or s.name.endswith("." + name)]
        found = [s for s in found if s.name == name] or found
        if len({signal.code for signal in found}) > 1:
            names = " or ".join(signal.name for signal in found)
            raise self.bad("signals", f"{name!r} stands for several, expected {names}")
        if not found and must:
            names = ", ".join(signal.name for signal in self._signals[:20]) or "none"
            raise self.bad("signals", f"no {name!r}, expected one of {names}")
        if found and found[0].bits != 1:
            raise self.bad("signals", f"{found[0].name} has {found[0].bits} bits, expected one")
        return found[0] if found else None

    # levels

    def _changes(self) -> Iterator[tuple[int, bytes, int | None]]:
        """(time in units, code, level 0, 1 or None for unknown) of our wires; at last the time of the end."""
        ours = {signal.code: signal.code in self._wires.values() for signal in self._signals}
        now = 0
        vector = None  # the level of a vector whose code comes next
        comment = False
        with open_bytes(self.path) as file:
            number, tokens = self._header(file)
            lines = enumerate(file, number + 1)
            while True:
                for token in tokens:
                    first = token[0]
                    if comment:
                        comment = token != b"$end"
                    elif vector is not None:
                        if self._is_ours(ours, token, number):
                            yield now, token, _LEVELS.get(vector[-1])
                        vector = None
                    elif first == _HASH:
                        if not token[1:].isdigit():
                            raise self.bad(str(number), f"{_shown(token)}, expected a time (#N)")
                        time = int(token[1:])
                        if time < now:
                            raise self.bad(str(number), f"time {time} after {now}, expected times in order")
                        now = time
                    elif first in _SCALARS:
                        if self._is_ours(ours, token[1:], number):
                            yield now, token[1:], _LEVELS.get(first)
                    elif first in b"bBrR":
                        vector = token
                    elif first == _DOLLAR:
                        comment = token == b"$comment"
                    else:
                        raise self.bad(str(number), f"{_shown(token)}, expected a time or a change of level")
                number, line = next(lines, (number, b""))
                if not line.endswith(b"\n"):
                    if line:
                        self.cut = True
                        self.notes.append(f"cut at the end: line {number} dropped")
                    break
                tokens = line.split()
        yield now, b"", None

    def _is_ours(self, ours: Mapping[bytes, bool], code: bytes, number: int) -> bool:
        if code not in ours:
            raise self.bad(str(number), f"{_shown(code)}, expected the code of a declared signal")
        return ours[code]

    def _ticks(self, units: int) -> int:
        multiply, divide = self._scale
        return (2 * units * multiply + divide) // (2 * divide)

    def _look_ahead(self) -> None:
        """Find from the first changes how coarse the times are and which wires idle at 0."""
        changes = list(islice(self._changes(), LOOKED_AT))
        times = sorted({time for time, _, _ in changes})
        step = gcd(*times) if len(times) >= ENOUGH_TIMES else 1
        self._edge = -(-step * self._scale[0] // (2 * self._scale[1]))
        for name, link in list(self.links.items()):
            self._hear(name, link)
        if not self.links:
            raise self.bad("signals", f"{self._deaf[0]}, expected a faster recording")
        for wire, code in self._wires.items():
            levels = [(self._ticks(time), level) for time, key, level in changes if key == code]
            levels.append((self._ticks(changes[-1][0]), None))
            ours = wire.rpartition("_")[0] in self._declared  # our own writer's, idle 1
            if not ours and self._idles_low(wire, levels):
                self._inverted.add(wire)

    def _hear(self, name: str, link: LinkInfo) -> None:
        """How well a link can be heard at this sample period, if at all."""
        total = data_bits(name) + 2
        bit = link.word / total
        if 2 * self._edge * COARSEST > bit:
            del self.links[name]
            self._wires = {wire: code for wire, code in self._wires.items() if wire.rpartition("_")[0] != name}
            self._deaf.append(
                f"{name} was sampled every {2 * self._edge / TICKS_PER_US:.3g} us, and a bit lasts "
                f"{bit / TICKS_PER_US:.3g} us: too coarse to be read"
            )
            return
        # A time runs from edge to edge, and the end of a word comes from a length measured over a few bits.
        doubt = 2 * self._edge + -(-2 * self._edge * total // ENOUGH)
        note = f"sample faster than every {2 * self._edge / TICKS_PER_US:.3g} us" if doubt else ""
        self.links[name] = link._replace(uncertainty=link.uncertainty + doubt, note=link.note or note)

    def _idles_low(self, wire: str, levels: list[tuple[int, int | None]]) -> bool:
        """Mostly at 0 and better understood inverted; a few odd words alone are no proof of that."""
        low = sum(after[0] - at[0] for at, after in pairwise(levels) if at[1] == 0)
        if 2 * low <= levels[-1][0] - levels[0][0]:
            return False
        sense = self._sense(wire, levels, idle=0)
        return sense > self._sense(wire, levels, idle=1) and (levels[0][1] == 0 or sense >= PROOF)

    def _sense(self, wire: str, levels: list[tuple[int, int | None]], idle: int) -> int:
        """How much sense a wire makes with this idle level: whole words less what is none."""
        receiver = self._receiver(wire)
        bursts = []
        for time, level in levels:
            bursts += receiver.take(time)
            receiver.change(time, level not in (idle, None))
        bad = sum(1 for burst in bursts if burst.words[0] & (FRAMING | BREAK))
        silent = receiver.joined_late and len(bursts) == 0  # active from first to last: rather idle
        return len(bursts) - 2 * bad - silent

    def _receiver(self, wire: str) -> Receiver:
        name, _, way = wire.rpartition("_")
        link, out = self.links[name], way == "out"
        return Receiver(link, out, default_sender(link, out), data_bits(name), self._edge)

    def events(self) -> Iterator[Burst]:
        self._start_over()
        receivers = {wire: self._receiver(wire) for wire in self._wires}
        hearing: dict[bytes, list[tuple[Receiver, int]]] = {}
        for wire, code in self._wires.items():
            hearing.setdefault(code, []).append((receivers[wire], 0 if wire in self._inverted else 1))
        ready: list[tuple[int, int, Burst]] = []  # decided; an earlier one may still come
        ranked = list(enumerate(receivers.values()))
        unknown, due = 0, inf
        for units, code, level in self._changes():
            time = self._ticks(units)
            if time >= due:
                self._collect(ranked, time, ready)
                begun = [receiver.undecided for receiver in receivers.values()]
                floor = min((start for start in begun if start is not None), default=time)
                while ready and ready[0][0] < floor:
                    yield self._seen(heappop(ready)[2])
                due = min(receiver.due for receiver in receivers.values())
            unknown += level is None and code != b""
            for receiver, idle in hearing.get(code, ()):
                receiver.change(time, level != idle and level is not None)
                due = min(due, receiver.due)
        for wire, (rank, receiver) in zip(receivers, ranked, strict=True):
            bursts, cut = receiver.finish(time)
            for burst in bursts:
                heappush(ready, (burst.start, rank, burst))
            if cut:
                self.cut = True
                self.notes.append(f"cut at the end: an unfinished word or break on {wire} dropped")
        while ready:
            yield self._seen(heappop(ready)[2])
        self.end = max(self.end, time)
        self._tell(receivers, unknown)

    def _collect(self, ranked: list[tuple[int, Receiver]], time: int, ready: list) -> None:
        for rank, receiver in ranked:
            if time >= receiver.due:
                for burst in receiver.take(time):
                    heappush(ready, (burst.start, rank, burst))

    def _seen(self, burst: Burst) -> Burst:
        self.end = max(self.end, burst.end)
        return burst

    def _tell(self, receivers: Mapping[str, Receiver], unknown: int) -> None:
        """What was made of doubtful signals."""
        self.notes += self._deaf
        for wire in [wire for name in self.links for wire in wires_of(name)]:
            receiver = receivers.get(wire)
            if not receiver:
                self.notes.append(f"{wire} was not recorded")
                continue
            if wire in self._inverted:
                self.notes.append(f"{wire} idles at 0: read inverted")
            if receiver.joined_late:
                self.notes.append(f"{wire} was active at the beginning: read from its first idle word on")
            if receiver.glitches:
                self.notes.append(f"{receiver.glitches} pulses shorter than a bit on {wire} ignored")
            if receiver.stuck:
                length = LONGEST_BREAK // TICKS_PER_SECOND
                self.notes.append(
                    f"{wire} was held active for over {length} s: told as a break of {length} s"
                )
        if unknown:
            self.notes.append(f"{unknown} unknown levels (x, z) taken as idle")


_HASH, _DOLLAR = b"#"[0], b"$"[0]
_LEVELS = {ord("0"): 0, ord("1"): 1}
_SCALARS = frozenset(b"01xXzZ")


def _shown(token: bytes) -> str:
    return repr(token[:40].decode("utf-8", "replace"))
