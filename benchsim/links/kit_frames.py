"""Frames of the kit link and the panel's line: bytes with times in, frames out.

No clock, no port, no file here. The same reader serves the host's side, the board's side and the judge. What a
frame looks like says the protocol file (`schema/kit_framing.py`): `FlagReader` (RFC 1662 §3.1, §4.2) or
`CountedReader`, whichever `reader_of` finds there.

    FLAG (body check)stuffed FLAG     one flag may end a frame and begin the next; ESCAPE FLAG aborts it
    START COUNT body check END        START and END may be nothing
    a gap over the limit              drops the frame
"""

from functools import lru_cache
from typing import NamedTuple

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.schema.kit import KitSpec
from benchsim.schema.kit_framing import Counted

LUMPY = 3  # times the longest legal gap: silence that ends a frame of unknown end, where bytes come in lumps


class Frame(NamedTuple):
    """A frame as it was on the line. `broken` is empty for a good one."""

    start: int  # ticks, start of the opening flag (or of the first byte after a shared flag) or of the first byte
    end: int  # ticks, end of the closing flag or of the last byte
    out: bool
    sender: str
    raw: bytes  # as on the wire, flags included where they were there
    body: bytes  # unstuffed, without the check
    broken: tuple[str, ...]  # of "check", "length", "gap", "abort", "framing", "cut", "end"
    worst_gap: int  # ticks, longest idle line between two bytes (after the opening flag)


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


@lru_cache(4096)
def wrap(spec: KitSpec, body: bytes) -> bytes:
    """A body as it goes over the wire."""
    if isinstance(spec.framing, Counted):
        return _counted(spec, spec.framing, body)
    flag = bytes((spec.framing.flag,))
    return flag + stuff(spec, body + spec.check.bytes_of(body)) + flag


def _counted(spec: KitSpec, framing: Counted, body: bytes) -> bytes:
    count = (len(body) + framing.extra).to_bytes(framing.size, framing.order)
    parts = {"start": framing.start, "length": count, "body": body}
    check = spec.check.bytes_of(b"".join(parts[part] for part in spec.check.covers))
    return framing.start + count + body + check + framing.end


def needless(spec: KitSpec, frame: Frame) -> bool:
    """Does a good frame escape what needs none?"""
    framing = spec.framing
    return not isinstance(framing, Counted) and framing.escape in frame.raw and frame.raw != wrap(spec, frame.body)


def body_at(spec: KitSpec) -> int:
    """The place in a frame at which its body begins."""
    return spec.framing.head if isinstance(spec.framing, Counted) else 1


def one_bit_wrong(spec: KitSpec, wire: bytes, at: int) -> bytes:
    """A frame with one bit of one byte wrong, such that no flag or escape comes of it."""
    marks = set() if isinstance(spec.framing, Counted) else {spec.framing.flag, spec.framing.escape}
    bit = next(b for b in (0x01, 0x10, 0x02, 0x40) if not {wire[at] ^ b, wire[at]} & marks)
    return wire[:at] + bytes((wire[at] ^ bit,)) + wire[at + 1 :]


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


def reader_of(spec: KitSpec, strict_gaps: bool = True) -> "FlagReader | CountedReader":
    """The reader for a link's framing. `strict_gaps=False` for a source that delivers bytes in chunks: gaps are then
    not held against it.
    """
    return (CountedReader if isinstance(spec.framing, Counted) else FlagReader)(spec, strict_gaps)


def frame_alone(spec: KitSpec, burst: Burst) -> Frame | None:
    """The one frame that a burst is, or None."""
    reader = reader_of(spec)
    frames = reader.feed(burst)
    return frames[0] if len(frames) == 1 and reader.begun is None else None


class _Reader:
    """Assembles frames of one direction from bursts of any size."""

    _gap_limit: int | None

    def __init__(self, spec: KitSpec):
        self.spec = spec
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

    @property
    def heard(self) -> tuple[int, int] | None:
        """From when to when so far a frame is under way, or None. A flag that ended none may begin one."""
        return None if self._start is None else (self._start, self._last_end)

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
            self._last_end = end
            return
        if word & FRAMING:
            self._spoilt.append("framing")
        self._take(word, start, end, frames)

    def _drop(self, why: str) -> Frame:
        inner = bytes(self._inner)
        broken = tuple(dict.fromkeys((why, *self._spoilt)))
        frame = Frame(self._start, self._last_end, self._out, self._sender, inner, inner, broken, self._worst)
        last = self._last_end
        self._reset(hunting=True)
        self._last_end = last
        return frame


class FlagReader(_Reader):
    """Frames between flags. Without strict gaps silence ends nothing: the next flag does."""

    def __init__(self, spec: KitSpec, strict_gaps: bool = True):
        self._gap_limit = spec.limits["gap"].high if strict_gaps else None
        self._longest = 2 * (spec.most + spec.check.size)
        super().__init__(spec)

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

    def _take(self, word: int, start: int, end: int, frames: list[Frame]) -> None:
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


class CountedReader(_Reader):
    """Frames that say their length. After a bad one it looks for the start bytes, or, where there are none, waits
    for a silence longer than any legal gap.
    """

    def __init__(self, spec: KitSpec, strict_gaps: bool = True):
        self._gap_limit = spec.limits["gap"].high * (1 if strict_gaps else LUMPY)
        self._framing = spec.framing
        super().__init__(spec)
        self._hunting = False

    def _whole(self, burst: Burst) -> Frame | None:
        """The usual case: one whole good frame in one burst, without gaps."""
        words, framing = burst.words, self._framing
        if self._first is not None or burst.gaps or len(words) <= framing.head or max(words) > 0xFF:
            return None
        raw = bytes(words)
        body = raw[framing.head : len(raw) - self.spec.check.size - len(framing.end)]
        if self._hunting or not self._fits(len(body)) or raw != wrap(self.spec, body):
            return None
        self._rest(burst.end, hunting=False)
        return Frame(burst.start, burst.end, burst.out, burst.sender, raw, body, (), 0)

    def _fits(self, length: int) -> bool:
        return self.spec.least <= length <= self.spec.most

    def _rest(self, now: int, hunting: bool) -> None:
        """No frame is under way."""
        self._reset(hunting and not self._framing.start)
        self._last_end = now

    def _take(self, word: int, start: int, end: int, frames: list[Frame]) -> None:
        if self._hunting and not self._framing.start and start - (self._last_end or 0) <= self._gap_limit:
            self._rest(end, hunting=True)
            return
        self._hunting = False
        if self._first is None:
            self._first = self._start = start
        self._inner.append(word & 0xFF)
        self._last_end = end
        if len(self._inner) <= len(self._framing.start):
            self._seek(end - start)
        elif len(self._inner) >= self._framing.head:
            self._grown(frames)

    def _seek(self, word: int) -> None:
        """Forget what cannot be the beginning of a frame. `word`: length of one, ticks."""
        now = self._last_end
        while self._inner and not self._framing.start.startswith(self._inner):
            del self._inner[0]
        if not self._inner:
            self._rest(now, hunting=False)
        else:
            self._first = self._start = max(self._start, now - len(self._inner) * word)

    def _grown(self, frames: list[Frame]) -> None:
        """The length is known: is it one, and has all come?"""
        framing, raw = self._framing, bytes(self._inner)
        length = framing.length_of(raw)
        if not 0 <= length <= self.spec.most:
            frames.append(self._drop("length"))
        elif len(raw) == framing.head + length + self.spec.check.size + len(framing.end):
            body = raw[framing.head : framing.head + length]
            broken = self._faults(raw, body)
            times = self._start, self._last_end
            frames.append(Frame(*times, self._out, self._sender, raw, body, broken, self._worst))
            self._rest(self._last_end, hunting=bool(broken))

    def _faults(self, raw: bytes, body: bytes) -> tuple[str, ...]:
        if not raw.endswith(self._framing.end):
            found = ["end"]
        elif raw != wrap(self.spec, body):
            found = ["check"]
        else:
            found = [] if self._fits(len(body)) else ["length"]
        return tuple(dict.fromkeys((*found, *self._spoilt)))
