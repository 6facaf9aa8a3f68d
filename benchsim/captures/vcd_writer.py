"""VCD, written: a level for every bit of every word."""

from heapq import heappop, heappush
from pathlib import Path

from benchsim.captures.base import Writer, pairs_of, written
from benchsim.captures.uart import EIGHTHS, active_runs
from benchsim.captures.vcd import data_bits, wires_of
from benchsim.events import FRAMING, TICKS_PER_US, Burst, Happening, LinkInfo


class VcdWriter(Writer):
    """Draws the levels. Where two senders talk at once on one conductor, active (0) wins."""

    def __init__(self, path: Path, links: list[LinkInfo]):
        super().__init__(path, links)
        names = [wire for link in links for wire in wires_of(link.name)]
        self._codes = {name: chr(ord("!") + number) for number, name in enumerate(names)}
        self._active = dict.fromkeys(names, 0)  # senders that hold the wire at 0
        self._shown = dict.fromkeys(names, 0)
        self._edges: list[tuple[int, str, int]] = []  # us, wire, +1 active or -1; still to be drawn
        self._end = 0  # ticks
        lines = ["$comment " + written({"link": link.name, **pairs_of(link)}) + " $end" for link in links]
        lines += ["$timescale 1 us $end", "$scope module benchsim $end"]
        lines += [f"$var wire 1 {code} {name} $end" for name, code in self._codes.items()]
        lines += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
        lines += [f"1{code}" for code in self._codes.values()] + ["$end", ""]
        self._file.write("\n".join(lines).encode())
        self._file.flush()

    def burst(self, burst: Burst) -> None:
        self._in_order(burst.start)
        self._draw(_us(burst.start, 1))
        self._end = max(self._end, burst.end)
        link = self.links[burst.link]
        wire = f"{link.name}_{'out' if burst.out else 'in'}"
        if wire not in self._codes:
            raise ValueError(f"nobody speaks on {wire}")
        if burst.is_break:
            self._hold(wire, _us(burst.start, 1), _us(burst.end, 1))
            return
        bits, length = data_bits(link.name), burst.word_ticks()
        parts = EIGHTHS * (bits + 2)
        for start, word in zip(burst.word_starts(), burst.words, strict=True):
            for begin, end in active_runs(word & (FRAMING | 0x1FF), bits):
                self._hold(
                    wire, _us(start * parts + begin * length, parts), _us(start * parts + end * length, parts)
                )

    def happening(self, happening: Happening) -> None:
        self._in_order(happening.time)
        self._end = max(self._end, happening.time)

    def _hold(self, wire: str, begin: int, end: int) -> None:
        heappush(self._edges, (begin, wire, 1))
        heappush(self._edges, (end, wire, -1))

    def _draw(self, until: float) -> None:
        """All edges before `until` (us): no later burst can add to them."""
        edges, lines = self._edges, []
        while edges and edges[0][0] < until:
            now, touched = edges[0][0], set()
            while edges and edges[0][0] == now:
                _, wire, step = heappop(edges)
                self._active[wire] += step
                touched.add(wire)
            changed = [wire for wire in sorted(touched) if (self._active[wire] > 0) != self._shown[wire]]
            if changed:
                lines.append(f"#{now}")
            for wire in changed:
                self._shown[wire] = self._active[wire] > 0
                lines.append(f"{0 if self._shown[wire] else 1}{self._codes[wire]}")
        if lines:
            lines.append("")
            self._file.write("\n".join(lines).encode())

    def close(self) -> None:
        """The last time lies past the last stop bit: a decoder that waits for its middle is served."""
        self._draw(float("inf"))
        self._file.write(f"#{-(-self._end // TICKS_PER_US) + 1}\n".encode())
        super().close()


def _us(ticks: int, parts: int) -> int:
    """So many parts of ticks to the nearest microsecond."""
    return (2 * ticks + TICKS_PER_US * parts) // (2 * TICKS_PER_US * parts)
