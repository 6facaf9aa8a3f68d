"""Frames between flags: bytes with times in, frames out (RFC 1662 §3.1, §4.2, appendix C).

No clock, no port, no file here. The same reader serves the host's side, the board's side and the judge.

    FLAG (body check)stuffed FLAG     one flag may end a frame and begin the next
    ESCAPE FLAG                       aborts the frame
    a gap over the limit              drops the frame, then hunt for the next flag
"""

from functools import lru_cache
from typing import NamedTuple

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.schema.kit import KitSpec


class Frame(NamedTuple):
    """A frame as it was on the line. `broken` is empty for a good one."""

    start: int  # ticks, start of the opening flag (or of the first byte after a shared flag)
    end: int  # ticks, end of the closing flag
    out: bool
    sender: str
    raw: bytes  # as on the wire, flags included where they were there
    body: bytes  # unstuffed, without the check
    broken: tuple[str, ...]  # of "check", "length", "gap", "abort", "framing", "cut"
    worst_gap: int  # ticks, longest idle line between two bytes after the opening flag


def stuff(spec: KitSpec, data: bytes) -> bytes:
    """Escape flag and escape bytes."""
    flag, escape, flip = spec.framing
    out = bytearray()
    for byte in data:
        if byte in (flag, escape):
            out += bytes((escape, byte ^ flip))
        else:
            out.append(byte)
    return bytes(out)


def unstuff(spec: KitSpec, data: bytes) -> bytes:
    """Undo any escape."""
    _, escape, flip = spec.framing
    if escape not in data:
        return data
    out, lifted = bytearray(), False
    for byte in data:
        if lifted:
            out.append(byte ^ flip)
            lifted = False
        elif byte == escape:
            lifted = True
        else:
            out.append(byte)
    return bytes(out)


def wrap(spec: KitSpec, body: bytes) -> bytes:
    """A body as it goes over the wire: flag, stuffed body and check, flag."""
    flag = bytes((spec.framing.flag,))
    return flag + stuff(spec, body + spec.check.bytes_of(body)) + flag


def unwrap(spec: KitSpec, inner: bytes) -> tuple[bytes, tuple[str, ...]]:
    """What stood between two flags, as (body, what is broken)."""
    return _unwrap(spec.name, spec, inner)


@lru_cache(8192)
def _unwrap(_name, spec: KitSpec, inner: bytes) -> tuple[bytes, tuple[str, ...]]:
    if inner[-1] == spec.framing.escape:
        return unstuff(spec, inner[:-1]), ("abort",)
    whole = unstuff(spec, inner)
    size = spec.check.size
    body, check = whole[:-size], whole[-size:]
    if len(whole) <= size:
        return whole, ("length",)
    broken = []
    if spec.check.bytes_of(body) != check:
        broken.append("check")
    elif not spec.least <= len(body) <= spec.most:
        broken.append("length")
    return body, tuple(broken)


class FrameReader:
    """Assembles frames of one direction from bursts of any size.

    `strict_gaps=False` for a source that delivers bytes in chunks: gaps are then not held against it.
    """

    def __init__(self, spec: KitSpec, strict_gaps: bool = True):
        self.spec = spec
        self._gap_limit = spec.limits["gap"].high if strict_gaps else None
        self._longest = 2 * (spec.most + spec.check.size)
        self._reset(hunting=True)

    def _reset(self, hunting: bool) -> None:
        self._hunting = hunting
        self._inner = bytearray()
        self._start = self._first = self._last_end = None
        self._worst = 0
        self._spoilt: list[str] = []
        self._out, self._sender = False, ""

    @property
    def begun(self) -> int | None:
        """Start of the first byte after the flag of the frame under way, or None."""
        return self._first

    @property
    def deadline(self) -> int | None:
        """When silence will drop the frame under way (`expire`)."""
        if self._first is None or self._gap_limit is None:
            return None
        return self._last_end + self._gap_limit

    def expire(self, now: int) -> list[Frame]:
        """Silence until `now`: a half frame with too long a gap is dropped."""
        if self._first is None or self._gap_limit is None or now - self._last_end <= self._gap_limit:
            return []
        self._worst = max(self._worst, now - self._last_end)
        return [self._drop("gap")]

    def feed(self, burst: Burst) -> list[Frame]:
        """Words of this direction, in order of time. Returns the frames that they complete."""
        quick = self._whole(burst)
        if quick is not None:
            return [quick]
        frames: list[Frame] = []
        length = burst.word_ticks()
        for word, start in zip(burst.words, burst.word_starts(), strict=True):
            self._byte(word, start, start + length, burst, frames)
        return frames

    def _whole(self, burst: Burst) -> Frame | None:
        """The usual case: one whole frame in one burst, without gaps."""
        words, flag = burst.words, self.spec.framing.flag
        if self._first is not None or burst.gaps or len(words) < 3 or words[0] != flag or words[-1] != flag:
            return None
        if max(words) > 0xFF or flag in words[1:-1] or len(words) > self._longest:
            return None
        raw = bytes(words)
        body, broken = unwrap(self.spec, raw[1:-1])
        self._reset(hunting=False)
        self._last_end = burst.end
        return Frame(burst.start, burst.end, burst.out, burst.sender, raw, body, broken, 0)

    def _byte(self, word: int, start: int, end: int, burst: Burst, frames: list[Frame]) -> None:
        self._out, self._sender = burst.out, burst.sender
        if self._first is not None:
            gap = start - self._last_end
            if self._gap_limit is not None and gap > self._gap_limit:
                self._worst = max(self._worst, gap)
                frames.append(self._drop("gap"))
            else:
                self._worst = max(self._worst, gap)
        if word & BREAK:
            if self._first is not None:
                self._last_end = end
                frames.append(self._drop("framing"))
            self._reset(hunting=True)
            return
        if word & FRAMING:
            self._spoilt.append("framing")
        byte = word & 0xFF
        if byte == self.spec.framing.flag and not word & FRAMING:
            self._flag(start, end, frames)
        elif not self._hunting:
            if self._first is None:
                self._first = start
                self._start = start if self._start is None else self._start
            self._inner.append(byte)
            self._last_end = end
            if len(self._inner) > self._longest:
                frames.append(self._drop("length"))

    def _flag(self, start: int, end: int, frames: list[Frame]) -> None:
        closes = self._first is not None
        if closes:
            inner = bytes(self._inner)
            body, broken = unwrap(self.spec, inner)
            broken = tuple(dict.fromkeys((*broken, *self._spoilt)))
            flag = bytes((self.spec.framing.flag,))
            frames.append(
                Frame(self._start, end, self._out, self._sender, flag + inner + flag, body, broken, self._worst)
            )
        self._reset(hunting=False)
        self._start, self._last_end = (None if closes else start), end

    def _drop(self, why: str) -> Frame:
        inner = bytes(self._inner)
        broken = tuple(dict.fromkeys((why, *self._spoilt)))
        frame = Frame(self._start, self._last_end, self._out, self._sender, inner, inner, broken, self._worst)
        self._reset(hunting=True)
        return frame
