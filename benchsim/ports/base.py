"""A port: whatever is at the other end of a wire takes a seat on a line.

    line ──took_off──► Port (words to bytes, and when) ──bytes──► Wire (a descriptor, a socket) ──►
         ◄──arrived── Port (bytes to words, and when) ◄──bytes── Wire                          ◄──

A `Port` knows the form in which words travel, a `Wire` how bytes get there. A wire that is pulled is
reported as a happening, never raised, and tried again until it is back.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from benchsim.clock.clocks import LATE
from benchsim.errors import UsageError
from benchsim.events import BREAK, FRAMING, TICKS_PER_MS, Burst, ticks
from benchsim.lines import Line
from benchsim.lines.line import Flight

AGAIN = ticks(0.5)  # between two tries to reach a wire that was pulled
SILENT = ticks(2)  # whoever says nothing for so long is asked anew what it waited for
BACKLOG = 4096  # bytes that may come at once, beyond what the link's rate has room for


class Wire(Protocol):
    """Bytes to and from the other end. `open` is called again after it told `gone`."""

    path: str  # what to call the other end: a path that a program opens, a device, an address
    uncertainty: int  # ticks by which the time of a byte may be off
    note: str  # how to measure better, one sentence
    adapter: bool  # what hangs up is a thing of ours that was pulled, not the subject

    def open(self, port: "Port") -> None:
        """Reach the other end, or UsageError. From then on tells `port.came(data, at)` and `port.gone(why)`."""

    def write(self, data: bytes) -> int:
        """Hand bytes over without waiting. Returns how many were taken."""

    def drop_output(self) -> None:
        """Forget bytes that were taken but have not left."""

    def hold(self, active: bool) -> None:
        """Hold the conductor (a break), if the wire has one."""

    def pause(self, paused: bool) -> None:
        """Read no more, or again: the other end is faster than its link could be."""

    def close(self) -> None:
        """Let go. Harmless twice."""


class Piece(NamedTuple):
    """Words of a burst that are handed over together."""

    start: int
    end: int
    words: tuple[int, ...]
    early: bool = False  # when they begin: an adapter gives them their length

    def over_by(self, tick: int) -> tuple[int, ...]:
        """The words that are over by then: all, unless the burst was cut."""
        if tick >= self.end:
            return self.words
        length = (self.end - self.start) // len(self.words)
        return self.words[: max(0, tick - self.start) // length]


def pieces(burst: Burst, most: int = BACKLOG) -> list[Piece]:
    """A burst cut at its gaps, and into at most so many words each."""
    if not burst.gaps and len(burst.words) <= most:
        return [Piece(burst.start, burst.end, burst.words)]
    length, starts = burst.word_ticks(), burst.word_starts()
    gaps = burst.gaps or (0,) * len(starts)
    found: list[list[int]] = []
    for i, gap in enumerate(gaps):
        if not found or gap or len(found[-1]) == most:
            found.append([])
        found[-1].append(i)
    return [
        Piece(starts[run[0]], starts[run[-1]] + length, burst.words[run[0] : run[-1] + 1]) for run in found
    ]


class Port:
    """Seats what is at the other end of `wire` on `line`: words of eight bits, handed over when they are over.

    `lost` bytes were not taken by the other end, `dropped` bytes made no word. `pulled`: how often an
    adapter was gone.
    """

    most = BACKLOG  # words handed over together
    paced = False  # what is handed over takes its time at the link's rate, and is not there at once

    def __init__(self, line: Line, seat: str, out: bool, wire: Wire):
        self.line, self.seat, self.out, self.wire = line, seat, out, wire
        self.chunks = True  # gaps inside a block are not measured, unless a measurement of the port says they are
        self.lost = self.dropped = self.pulled = 0
        self.there = self.closed = False
        self.last_end = 0  # of what the other end said, ticks
        self.heard_end = 0  # of what was said to it
        # What is at the other end may be a program on this computer: how long it has waited for a processor so far.
        self.waited: Callable[[], int] | None = None
        self._waited: int | None = None  # when it last spoke, or was first spoken to since
        self._waited_at = 0  # and when that was
        self._asked = False  # it was spoken to since
        self._held: Flight | None = None  # a break that is being said to it
        self._break: tuple[int, int] | None = None  # one of its own: start, the trace's token
        self._room, self._room_at = float(BACKLOG), line.clock.now()
        wire.open(self)
        self.uncertainty, self.note = wire.uncertainty, wire.note  # known once it is open
        self.there = True
        line.attach(seat, out, self._hear)
        line.follow(not out, self)
        line.slack = max(line.slack, self.lag())

    @property
    def path(self) -> str:
        """What a program opens to take the seat, or where the seat was found."""
        return self.wire.path

    def lag(self) -> int:
        """Ticks by which words of the other end may be known later than they began."""
        return self.line.word_ticks + 2 * TICKS_PER_MS

    def close(self) -> None:
        """Hang up. Harmless twice; what the line says afterwards goes nowhere."""
        if self.closed:
            return
        self.break_ended(self.line.clock.now())
        self.closed, self.there = True, False
        self.line.unfollow(not self.out, self)
        self.wire.close()

    # ---- what the line says

    def took_off(self, flight: Flight) -> None:
        """Somebody begins to talk to the seat: every piece has its moment."""
        burst, at = flight.arriving, self.line.clock.call_at
        if burst is None:
            return
        if burst.is_break:
            at(burst.start, self._hold, flight)
            at(burst.end, self._release, flight)
            return
        for piece in self.portions(burst):
            at(piece.start if piece.early else piece.end, self._hand_over, flight, piece)

    def portions(self, burst: Burst) -> list[Piece]:
        """What is handed over together, and when."""
        return pieces(burst, self.most)

    def was_cut(self, flight: Flight) -> None:
        """And is silenced."""
        self._release(flight)

    def say(self, words: tuple[int, ...]) -> None:
        """Words to the other end, now. A spoilt word does not get through."""
        self.write(bytes(word & 0xFF for word in words if not word & FRAMING))

    def hold(self, active: bool) -> None:
        """A break to the other end begins or ends."""
        if self.there:
            self.wire.hold(active)

    def pass_on(self, words: tuple[int, ...], now: int) -> tuple[int, int] | None:
        """Say words to the other end at once. When it hears them, from and to; None if it is not there."""
        if not self.there:
            return None
        self.say(words)
        start = max(now, self.heard_end)
        return start, start + len(words) * (self.line.word_ticks if self.paced else 1)

    def write(self, data: bytes) -> None:
        """Hand over bytes; what is not taken is lost, as on a cable."""
        self.lost += len(data) - (self.wire.write(data) if self.there else 0)
        self._spoken_to()  # not before: looking at waits takes as long as an answer may be late

    def _hand_over(self, flight: Flight, piece: Piece) -> None:
        words = piece.words if piece.early and flight.end > piece.start else piece.over_by(flight.end)
        if words and not self.closed and self.seat not in self.line.deaf:
            self.say(self._spoilt(flight, piece, words))

    @staticmethod
    def _spoilt(flight: Flight, piece: Piece, words: tuple[int, ...]) -> tuple[int, ...]:
        """Words that another talker spoils, as far as is known by now."""
        if not flight.disturbed_by:
            return words
        length = (piece.end - piece.start) // len(piece.words)
        starts = (piece.start + i * length for i in range(len(words)))
        return tuple(
            word | (FRAMING if flight.disturbed(start, start + length) else 0)
            for word, start in zip(words, starts, strict=True)
        )

    def _hold(self, flight: Flight) -> None:
        if flight.end > flight.burst.start and not self.closed and self.seat not in self.line.deaf:
            self._held = flight
            self.hold(True)

    def _release(self, flight: Flight) -> None:
        if self._held is flight and not self.closed:
            self._held = None
            self.hold(False)

    def _hear(self, burst: Burst) -> None:
        self.heard_end = burst.end

    # ---- what the wire says

    def came(self, data: bytes, at: int) -> None:
        """Bytes were read at tick `at`."""
        if not self.closed and data:
            self._take_room(len(data), at)
            self.read(data, at)
            self._tell_stall()  # not before: whoever tells may be long about it

    def _spoken_to(self) -> None:
        """From now on it may be late, unless it was so already."""
        if self.waited is None:
            return
        if not self._asked:
            self._look_at_waits()
        elif self.line.clock.now() - self._waited_at > SILENT:
            self._tell_stall()
        self._asked = True

    def _tell_stall(self) -> None:
        """Since it was first spoken to, or last spoke: how long this computer let it wait is not its fault."""
        if self.waited is None:
            return
        before, since = self._waited, self._waited_at
        self._look_at_waits()
        if before is None:
            return
        stall = min(self._waited - before, self._waited_at - since)  # many may have waited at once
        if stall > LATE:
            self.line.late(stall, who=self.seat)

    def _look_at_waits(self) -> None:
        self._waited, self._waited_at, self._asked = self.waited(), self.line.clock.now(), False

    def read(self, data: bytes, at: int) -> None:
        """Make words of bytes.

        A pseudo-terminal or a socket has no bit rate and hands bytes over in lumps. So a lump is told as
        it was: at one moment, its words a tick long; gaps inside a frame are not measured.
        """
        self.arrived(tuple(data), max(at, self.last_end))

    def arrived(self, words: tuple[int, ...], start: int, length: int = 1) -> None:
        """The other end said `words` from `start` on, each `length` ticks long."""
        self.last_end = start + length * len(words)
        self.line.arrived(Burst(start, self.last_end, self.line.name, self.out, self.seat, words))

    @property
    def in_break(self) -> bool:
        """The other end holds its conductor."""
        return self._break is not None

    def break_began(self, at: int) -> None:
        """The other end holds its conductor from now on; told when that ends, in its place in time."""
        start = max(at, self.last_end)
        self._break = start, self.line.trace.begin(start)
        self.line.broke(self.out, True, at)

    def break_ended(self, at: int) -> None:
        """It holds it no longer. Harmless if it did not."""
        if self._break is None:
            return
        (start, token), self._break = self._break, None
        self.last_end = max(at, start + 1)
        burst = Burst(start, self.last_end, self.line.name, self.out, self.seat, (BREAK,))
        self.line.broke(self.out, False, at)
        self.line.arrived(burst, token)

    def gone(self, why: str) -> None:
        """The wire was pulled: say so, and try until it is back."""
        if self.closed or not self.there:
            return
        self.there = False
        self.pulled += self.wire.adapter
        self.wire.close()
        self.break_ended(self.line.clock.now())
        self._tell(why)
        self._later()

    def _again(self) -> None:
        if self.closed:
            return
        try:
            self.wire.open(self)
        except UsageError:
            self._later()
            return
        self.there = True
        self._tell("is back")

    def _later(self) -> None:
        self.line.clock.call_at(self.line.clock.now() + AGAIN, self._again)

    def _tell(self, why: str) -> None:
        self.line.trace.happening(self.seat, "port", link=self.line.name, where=self.path, there=self.there, why=why)

    def _take_room(self, count: int, now: int) -> None:
        """A sender faster than its link could be is read no faster than the link: memory stays bounded."""
        self._room = min(BACKLOG, self._room + (now - self._room_at) / self.line.word_ticks) - count
        self._room_at = now
        if self._room < 0:
            self.wire.pause(True)
            self.line.clock.call_at(now + int((BACKLOG / 4 - self._room) * self.line.word_ticks), self._go_on)

    def _go_on(self) -> None:
        if not self.closed and self.there:
            self.wire.pause(False)
