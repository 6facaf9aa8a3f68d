"""What went over the links lately, kept for drawing: the last minutes of bursts, and where something was wrong."""

from bisect import bisect_left, insort
from collections import deque
from typing import NamedTuple

from benchsim.events import TICKS_PER_SECOND, Burst, Happening, seconds

MOST = 60_000  # bursts kept at most


class Piece(NamedTuple):
    """One burst as the strip draws it."""

    number: int  # counts all bursts since power-on
    start_s: float
    end_s: float
    link: str
    out: bool
    sender: str
    words: int
    wrong: bool


class Strip:
    """A listener. `keep`: ticks that can be looked back. `wrong(link, start)` marks what somebody found broken."""

    def __init__(self, keep: int):
        self.keep = keep
        self.bursts: deque[Burst] = deque()
        self.happenings: deque[Happening] = deque(maxlen=MOST)
        self.first = 0  # number of the oldest burst kept
        self._wrong: dict[str, list[int]] = {}  # link -> ticks at which broken words began, in order

    def burst(self, burst: Burst) -> None:
        """Keep it, and forget what is too old."""
        bursts = self.bursts
        bursts.append(burst)
        while bursts[0].end < burst.start - self.keep or len(bursts) > MOST:
            old = bursts.popleft()
            starts = self._wrong.get(old.link, [])
            while starts and starts[0] <= old.end:
                del starts[0]
            self.first += 1

    def happening(self, happening: Happening) -> None:
        """For who asks what happened around a time."""
        self.happenings.append(happening)

    def wrong(self, link: str, start: int) -> None:
        """The words that began then are broken."""
        insort(self._wrong.setdefault(link, []), start)

    def since(self, number: int, most: int = 2000) -> list[Piece]:
        """Pieces from that number on, the newest `most` of them."""
        skip = max(number - self.first, len(self.bursts) - most, 0)
        return [self._piece(self.first + i, self.bursts[i]) for i in range(skip, len(self.bursts))]

    def between(self, start: int, end: int) -> list[Piece]:
        """Pieces that lie between two ticks at least in part."""
        found = bisect_left(self.bursts, start, key=lambda burst: burst.end)
        pieces = []
        for i in range(found, len(self.bursts)):
            if self.bursts[i].start > end:
                break
            pieces.append(self._piece(self.first + i, self.bursts[i]))
        return pieces

    def around(self, tick: int, reach: int = TICKS_PER_SECOND) -> list[Burst]:
        """Bursts within reach of a tick, in order of start."""
        return [burst for burst in self.bursts if burst.end >= tick - reach and burst.start <= tick + reach]

    def _piece(self, number: int, burst: Burst) -> Piece:
        starts = self._wrong.get(burst.link, [])
        found = bisect_left(starts, burst.start)
        wrong = found < len(starts) and starts[found] < burst.end
        return Piece(
            number, round(seconds(burst.start), 6), round(seconds(burst.end), 6), burst.link, burst.out, burst.sender,
            len(burst.words), wrong,
        )  # fmt: skip
