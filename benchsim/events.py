"""What happens at the bench, as plain values. This module imports nothing of benchsim.

Two things can happen. Words pass over a link (`Burst`), or something happens off the links
(`Happening`: a coil turns, a coin drops, a supply sags). Everything else at the bench is either a
cause of these (lines, seats, machine, faults) or a reader of them (judge, captures, feeds).

Time is an integer count of ticks at 72 MHz. A microsecond (72 ticks), a bit at 9600 baud (7,500)
and a bit at 115,200 baud (625) are all whole, so no timing ever drifts by rounding.
"""

from typing import NamedTuple, Protocol

TICKS_PER_SECOND = 72_000_000
TICKS_PER_MS = 72_000
TICKS_PER_US = 72

# A word on a link: bits 7-0 data, then flags.
MODE = 0x0100  # the ninth bit of the payment bus
BREAK = 0x4000  # the line held active; a burst of its own, its length is the burst's length
FRAMING = 0x8000  # start or stop bit was wrong


def ticks(seconds: float) -> int:
    """Seconds at the edge of the bench to ticks inside, rounded to the nearest tick."""
    return round(seconds * TICKS_PER_SECOND)


def seconds(ticks: int) -> float:
    """Ticks inside to seconds at the edge."""
    return ticks / TICKS_PER_SECOND


class Burst(NamedTuple):
    """Words that one sender put on one conductor, one after another.

    In the simulation a burst is a whole block or frame. From a port or a capture it may be any
    piece of one, down to a single word: who needs blocks assembles them (`benchsim.links`).
    """

    start: int  # ticks, start bit of the first word
    end: int  # ticks, end of the last stop bit
    link: str  # "bus", "kit", "panel", "audit" or a link of the bench file
    out: bool  # True: the conductor of the asking side (board on the bus, host on the kit link)
    sender: str  # name of the seat, "" where a tap cannot tell
    words: tuple[int, ...]
    gaps: tuple[int, ...] = ()  # ticks of idle line before each word, first 0; () = none anywhere

    def word_ticks(self) -> int:
        """Length of one word as sent (a slow clock makes it longer than the link's nominal)."""
        return (self.end - self.start - sum(self.gaps)) // len(self.words)

    def word_starts(self) -> list[int]:
        """Start of every word, in ticks."""
        length, at, starts = self.word_ticks(), self.start, []
        gaps = self.gaps or (0,) * len(self.words)
        for gap in gaps:
            at += gap
            starts.append(at)
            at += length
        return starts

    @property
    def is_break(self) -> bool:
        """The line was held active: `end - start` is for how long."""
        return bool(self.words[0] & BREAK)


class Happening(NamedTuple):
    """Something off the links. `data` holds JSON values only: it is written to captures as it is."""

    time: int  # ticks
    seat: str  # whose part it happened to: "board", "changer", "machine", "bench"…
    kind: str  # "power", "coil", "drop", "door", "coin", "bill", "card", "payout", "case", "fault"…
    data: dict


class LinkInfo(NamedTuple):
    """How well a link was heard. The judge turns this into doubt.

    `uncertainty` is what a time between two things may be off by (ticks, 0 in virtual time).
    `edges`: the true bit rate was measured. `chunks`: words came in lumps, so gaps inside a block
    were not measured. `deaf`: "out" or "in", the conductor that was not recorded.
    """

    name: str
    out: str  # the seat on the asking side
    word: int  # nominal length of a word, ticks
    uncertainty: int = 0
    edges: bool = True
    chunks: bool = False
    note: str = ""  # how to measure better, in one sentence
    deaf: str = ""


class Listener(Protocol):
    """Who wants to know what happens: judge, capture writers, feeds. Called in order of start."""

    def burst(self, burst: Burst) -> None: ...

    def happening(self, happening: Happening) -> None: ...
