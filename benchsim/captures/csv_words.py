"""CSV, a word a row: what spreadsheets read, and what many a home-made tap writes.

    # uncertainty_us=25
    time_us,link,sender,value,mode
    1000.000,bus,board,0x0B,1
    2145.833,bus,board,0x0B,0
    9000.000,bus,changer,0x00,1
    20000.000,bus,board,break,100000

`time_us` is the start of the word, decimals allowed. `sender` is a seat's name, or `master` or
`device`. `value` is decimal or 0x hex, with bit 15 (0x8000) set if the start or stop bit was wrong.
`mode` is 0 or 1, empty on eight-bit links; of a break it is the length in microseconds.

Only starts of words are held. So a word counts as long as the link's nominal, and how slow a clock
may be counts into the doubt (`SLOWEST`). Links that are not known by name stand before the header:

    # link=NAME;sender-out=SEAT;word_ticks=N
"""

import re
from collections.abc import Iterator, Mapping
from heapq import heappop, heappush
from itertools import islice
from pathlib import Path

from benchsim.captures.base import (
    NOMINAL,
    Capture,
    Writer,
    default_sender,
    link_of,
    ns_of,
    open_bytes,
    pairs_of,
    parsed,
    written,
)
from benchsim.events import BREAK, FRAMING, MODE, TICKS_PER_US, Burst, LinkInfo

COLUMNS = ("time_us", "link", "sender", "value", "mode")
SLOWEST = 2  # per cent below the nominal bit rate; MDB/ICP 4.3 §3, elsewhere common practice
REMEMBERED = 1 << 14  # rows alike but for their time, of which the other form is kept
LOOKED_AT = 1000  # rows from which the resolution of the times is taken
NOTE = "a .pcapng or .vcd recording also holds how long each word was"
MASTER, DEVICE = "master", "device"


# -- writing


class CsvWriter(Writer):
    """Writes the words of all links in order of their starts, to the nanosecond (exact to the tick)."""

    def __init__(self, path: Path, links: list[LinkInfo]):
        super().__init__(path, links)
        self._waiting: list[tuple[int, int, str]] = []  # words that a later burst may still overtake
        self._count = 0
        doubt = max((link.uncertainty for link in links), default=0)
        self._line(f"# uncertainty_us={_microseconds(doubt)}")
        for link in links:
            pairs = pairs_of(link._replace(edges=False))
            del pairs["uncertainty_ns"]
            self._line("# " + written({"link": link.name, **pairs}))
        self._line(",".join(COLUMNS))
        self._file.flush()

    def _line(self, text: str) -> None:
        self._file.write(f"{text}\n".encode())

    def burst(self, burst: Burst) -> None:
        self._in_order(burst.start)
        self._release(burst.start)
        link = self.links[burst.link]
        front = f"{link.name},{_sender(burst, link)}"
        if burst.is_break:
            self._wait(burst.start, f"{front},break,{_microseconds(burst.end - burst.start)}")
            return
        for start, word in zip(burst.word_starts(), burst.words, strict=True):
            mode = str(word >> 8 & 1) if word & MODE or _bits(link.name) == 9 else ""
            self._wait(start, f"{front},0x{word & ~MODE:02X},{mode}")

    def _wait(self, start: int, row: str) -> None:
        heappush(self._waiting, (start, self._count, row))
        self._count += 1

    def _release(self, now: float) -> None:
        while self._waiting and self._waiting[0][0] <= now:
            start, _, row = heappop(self._waiting)
            self._line(f"{_microseconds(start)},{row}")

    def close(self) -> None:
        self._release(float("inf"))
        super().close()


def _microseconds(ticks: int) -> str:
    ns = ns_of(ticks)
    return f"{ns // 1000}.{ns % 1000:03d}"


def _bits(name: str) -> int:
    return NOMINAL[name].bits if name in NOMINAL else 0


def _sender(burst: Burst, link: LinkInfo) -> str:
    if burst.out:
        return link.out or MASTER
    return burst.sender or DEVICE


# -- reading


class CsvCapture(Capture):
    """Reads rows in order of time; every row is a burst of one word."""

    def __init__(self, path: Path, line_map: Mapping[str, str] = {}):
        super().__init__(path)
        if line_map:
            raise self.bad("1", "signals cannot be mapped here, expected a column with the link's name")
        rows = self._rows()
        self._columns, declared, doubt = self._header(rows)
        resolution = max(
            (_decimals(row, self._columns[0]) for _, row, _ in islice(rows, LOOKED_AT)), default=3
        )
        rows.close()
        # Both ends of a time are off by half of the last digit at most.
        doubt += -(-TICKS_PER_US // 10**resolution) if resolution < 3 else 0
        for name in declared or NOMINAL:
            link = declared.get(name) or link_of(name, {})
            slow = -(-link.word * SLOWEST // (100 - SLOWEST))
            self.links[name] = link._replace(uncertainty=doubt + slow, edges=False, note=NOTE)

    def _start_over(self) -> None:
        super()._start_over()
        self._known: dict[tuple, tuple] = {}  # rows alike but for their time, read before

    def _rows(self) -> Iterator[tuple[int, str, bool]]:
        """(line number, text, whether the line was ended) of every line that is not empty."""
        with open_bytes(self.path) as file:
            for number, raw in enumerate(file, 1):
                text = raw.decode("utf-8-sig" if number == 1 else "utf-8", "backslashreplace").strip()
                if text:
                    yield number, text, raw.endswith(b"\n")

    def _header(self, rows: Iterator) -> tuple[list[int], dict[str, LinkInfo], int]:
        """Where each of our columns stands, the links declared, the doubt stated (ticks)."""
        declared, doubt, number = {}, 0, 1
        for number, text, _ in rows:
            if not text.startswith("#"):
                names = [name.strip().strip('"') for name in text.split(",")]
                missing = [name for name in COLUMNS if name not in names]
                if missing:
                    raise self.bad(
                        str(number), f"no column {missing[0]}, expected the header {','.join(COLUMNS)}"
                    )
                return [names.index(name) for name in COLUMNS], declared, doubt
            pairs = parsed(text[1:].strip())
            try:
                if "uncertainty_us" in pairs:
                    doubt = _ticks(pairs["uncertainty_us"], "uncertainty_us")
                if "link" in pairs:
                    declared[pairs["link"]] = link_of(pairs["link"], pairs)
            except ValueError as expected:
                raise self.bad(str(number), str(expected)) from None
        raise self.bad(str(number), f"the file ends here, expected the header {','.join(COLUMNS)}")

    def events(self) -> Iterator[Burst]:
        self._start_over()
        rows = self._rows()
        self._header(rows)
        last = 0
        for number, text, ended in rows:
            if text.startswith("#"):
                continue
            try:
                burst = self._burst(text)
                if burst.start < last:
                    raise ValueError("earlier than the row before it, expected times in order")
                if burst.is_break and not ended:
                    raise ValueError("the length of a break may be cut, expected the end of its line")
            except ValueError as expected:
                if ended:
                    raise self.bad(str(number), str(expected)) from None
                self.cut = True
                self.notes.append(f"cut at the end: line {number} dropped ({expected})")
                return
            last = burst.start
            self.end = max(self.end, burst.end)
            yield burst

    def _burst(self, text: str) -> Burst:
        """Raises ValueError with what was expected."""
        fields = text.split(",")
        try:
            time, name, sender, value, mode = [fields[at].strip().strip('"') for at in self._columns]
        except IndexError:
            raise ValueError(f"{len(fields)} columns, expected {max(self._columns) + 1}") from None
        start = _ticks(time, "time_us")
        if value.lower() == "break":
            _, out, speaker = self._who(name, sender)
            length = _ticks(mode, "the length of a break")
            if not length:
                raise ValueError("break of no length, expected microseconds in the column mode")
            return Burst(start, start + length, name, out, speaker, (BREAK,))
        what = name, sender, value, mode
        if what not in self._known:
            if len(self._known) >= REMEMBERED:
                self._known.clear()
            self._known[what] = *self._who(name, sender), (_word(value, mode, _bits(name)),)
        length, out, speaker, words = self._known[what]
        return Burst(start, start + length, name, out, speaker, words)

    def _who(self, name: str, sender: str) -> tuple[int, bool, str]:
        """Nominal length of a word, direction, seat."""
        link = self.links.get(name)
        if not link:
            raise ValueError(f"link {_shown(name)}, expected one of {', '.join(self.links)}")
        out = sender in (MASTER, link.out)
        if out or sender == DEVICE:
            return link.word, out, default_sender(link, out)
        if not re.fullmatch(r"[a-z][a-z0-9_]*", sender):
            raise ValueError(f"sender {_shown(sender)}, expected a seat, {MASTER} or {DEVICE}")
        return link.word, False, sender


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _ticks(text: str, what: str) -> int:
    """Microseconds with decimals to the nearest tick."""
    if not _MICROSECONDS.fullmatch(text):
        raise ValueError(f"{what} {_shown(text)}, expected microseconds from 0 on")
    whole, _, part = text.partition(".")
    scale = 10 ** len(part)
    return (2 * int(whole + part) * TICKS_PER_US + scale) // (2 * scale)


def _word(value: str, mode: str, bits: int) -> int:
    found = _VALUE.fullmatch(value)
    word = int(value, 16 if found[1] else 10) if found else -1
    if word & ~FRAMING not in range(256):
        raise ValueError(f"value {_shown(value)}, expected 0 to 255, 0x00 to 0xFF or break")
    if mode not in _MODES[bits]:
        raise ValueError(f"mode {_shown(mode)}, expected {' or '.join(m or 'empty' for m in _MODES[bits])}")
    return word | MODE if mode == "1" else word


_MICROSECONDS = re.compile(r"[0-9]{1,18}(\.[0-9]{0,18})?")
_VALUE = re.compile(r"(0[xX][0-9a-fA-F]{1,4})|[0-9]{1,5}")
_MODES = {9: ("0", "1"), 8: ("", "0"), 0: ("", "0", "1")}  # by data bits a word; 0: not known


def _decimals(row: str, column: int) -> int:
    """Digits after the point in the time of a row."""
    fields = row.split(",")
    return len(fields[column].strip().strip('"').partition(".")[2]) if column < len(fields) else 0
