"""A conductor's level over time, to words and back: start bit 0, data least significant first, stop bit 1.

The receiver works as a UART does: a falling edge starts a word, every bit is looked at in its middle,
counted at the nominal rate from that edge. Beyond a UART it measures how long the bits really were.
No files and no clocks here: edges and times in, bursts out.
"""

from bisect import bisect_right
from functools import cache
from math import inf

from benchsim.events import BREAK, FRAMING, TICKS_PER_SECOND, Burst, LinkInfo

EIGHTHS = 8  # of a bit, the grain in which a sent word is drawn
BAD_STOP = 5  # eighths of the stop bit that a framing error holds active: its middle, not its end
ENOUGH = 5  # bits between the edges from which a bit rate is taken; fewer tell too little
LONGEST_BREAK = 10 * TICKS_PER_SECOND  # a line held longer is told as a break of this length


@cache
def active_runs(word: int, bits: int) -> tuple[tuple[int, int], ...]:
    """(begin, end) of the stretches at level 0, in eighths of a bit from the start of the word."""
    levels = [0] + [word >> bit & 1 for bit in range(bits)] + [1]
    ends = [EIGHTHS * (at + 1) for at in range(len(levels))]
    if word & FRAMING:
        levels[-1:], ends[-1:] = [0, 1], [ends[-2] + BAD_STOP, ends[-1]]
    runs: list[list[int]] = []
    begin = 0
    for level, end in zip(levels, ends, strict=True):
        if not level:
            if runs and runs[-1][1] == begin:
                runs[-1][1] = end
            else:
                runs.append([begin, end])
        begin = end
    return tuple((first, last) for first, last in runs)


class Receiver:
    """Hears one conductor. Give it every change of level, ask it for the words decided by now.

    A word is decided a quarter bit after its nominal end. Pulses shorter than a quarter bit, and
    starts shorter than half a bit, are no bits: they are counted in `glitches`.
    """

    def __init__(self, link: LinkInfo, out: bool, sender: str, bits: int, doubt: int):
        self.link, self.out, self.sender = link, out, sender
        self.word, self.total, self.doubt = link.word, bits + 2, doubt  # doubt: of one edge, ticks
        self.quarter = self.word // (4 * self.total)
        self.due: float = inf  # `take` has nothing to decide before this time
        self.middle = (2 * self.total - 1) * self.word // (2 * self.total)  # of the stop bit
        self.glitches = 0
        self.joined_late = False  # the conductor was active when first seen
        self.stuck = False  # it was held for longer than the longest break
        self._edges: list[int] = []  # not yet decided: falling, rising, falling…
        self._active: bool | None = None
        self._waiting = False  # for the line to be idle before anything counts
        self._quiet_since: int | None = None  # while waiting
        self._measured, self._length, self._until = 0, self.word, 0  # bits, ticks a word, valid until

    @property
    def undecided(self) -> int | None:
        """Start of what has begun and is not decided yet."""
        return self._edges[0] if self._edges else None

    def change(self, time: int, active: bool) -> None:
        """The conductor has this level from `time` on. Take what was due before that first."""
        if active == self._active:
            return
        first, self._active = self._active is None, active
        edges = self._edges
        if first and active:
            self.joined_late = self._waiting = True
        elif first:
            return
        elif self._waiting:
            self._wait(time, active)
        elif edges and time - edges[-1] < self.quarter:
            edges.pop()
            self.glitches += 1
        elif edges:
            edges.append(time)
        else:
            self._begin(time)

    def _wait(self, time: int, active: bool) -> None:
        """A word always holds a start bit, so a line idle for a whole word is between words."""
        if not active:
            self._quiet_since = time
        elif self._quiet_since is not None and time - self._quiet_since >= self.word:
            self._waiting = False
            self._begin(time)

    def _begin(self, time: int) -> None:
        self._edges.append(time)
        self.due = time + self.word + self.quarter

    def take(self, now: int) -> list[Burst]:
        """What is decided by `now`, in order of start."""
        edges, bursts = self._edges, []
        while edges and now >= edges[0] + self.word + self.quarter and self._decide(now, bursts):
            pass
        self.due = edges[0] + self.word + self.quarter if edges else inf
        return bursts

    def finish(self, now: int) -> tuple[list[Burst], bool]:
        """What is decided when the recording ends at `now`; and whether something was cut by the end.

        The last word must have been seen to the middle of its stop bit, or to an edge where that begins.
        """
        bursts = self.take(now if self._active else now + self.quarter)
        edges = self._edges
        while edges:
            seen = now > edges[0] + self.middle or self._bit(edges[-1]) == self.total - 1
            if not (seen and self._decide(now, bursts)):
                break
        return bursts, bool(edges)

    def _decide(self, now: int, bursts: list[Burst]) -> bool:
        """Take the first thing off the edges. False: it is not known yet what it is."""
        edges = self._edges
        count = self._settled()
        if count > 1 and self._bit(edges[1]) == 0:
            self.glitches += 1
            del edges[:2]
        elif count % 2:
            return self._held(now, count, bursts)
        else:
            bursts.append(self._whole(count))
            del edges[:count]
        return True

    def _bit(self, time: int) -> int:
        """The first bit of the word at hand whose middle is not before `time` (0: its start bit)."""
        return (2 * self.total * (time - self._edges[0]) + self.word - 1) // (2 * self.word)

    def _settled(self) -> int:
        """How many edges lie before the middle of the stop bit: an odd number if the line is active there."""
        return bisect_right(self._edges, self._edges[0] + self.middle)

    def _whole(self, count: int) -> Burst:
        """The word made by the first `count` edges; the line is idle in the middle of its stop bit."""
        edges = self._edges
        length = self._true_length(edges[count - 1])
        start, end = edges[0], edges[0] + length
        if len(edges) > count:
            end = min(end, edges[count])  # a word ends where the next begins, whatever the rounding
        return self._burst(start, end, self._value(count))

    def _value(self, count: int) -> int:
        """Data bits: idle from each rising edge to the next falling one."""
        word = 0
        for at in range(1, count, 2):
            rise = self._bit(self._edges[at])
            fall = self._bit(self._edges[at + 1]) if at + 1 < count else self.total - 1
            word |= (1 << fall - 1) - (1 << rise - 1)
        return word

    def _true_length(self, last: int) -> int:
        """Length of a word at the sender's bit rate, measured from the first edge to the `last`.

        What the doubt of two edges explains is taken for the nominal. A word with few edges takes the
        length of the words that it follows.
        """
        start = self._edges[0]
        if start > self._until:
            self._measured, self._length = 0, self.word
        bits = self._bit(last)
        if bits >= max(self._measured, ENOUGH):
            length = (2 * (last - start) * self.total + bits) // (2 * bits)
            near = abs(length - self.word) * bits <= 2 * self.doubt * self.total + bits
            self._measured, self._length = bits, self.word if near else length
        self._until = start + 2 * self.word
        return self._length

    def _held(self, now: int, count: int, bursts: list[Burst]) -> bool:
        """Active in the middle of a stop bit: a framing error or a break. False: not known yet which."""
        edges = self._edges
        start, since = edges[0], edges[count - 1]
        if len(edges) == count:
            if now - since <= LONGEST_BREAK:
                return False
            self.stuck = self._waiting = True
            self._quiet_since = None
            end = since + LONGEST_BREAK
        else:
            end = edges[count]
            if now < end + self.quarter:
                return False
        held = end - since > 2 * self.word
        if count > 1 or not held:
            stop = min([start + self.word, *edges[count + 1 : count + 2]])
            bursts.append(self._burst(start, stop, self._value(count) | FRAMING))
        if held:
            bursts.append(self._burst(since, end, BREAK))
        del edges[: count + 1]
        return True

    def _burst(self, start: int, end: int, word: int) -> Burst:
        return Burst(start, end, self.link.name, self.out, self.sender, (word,))
