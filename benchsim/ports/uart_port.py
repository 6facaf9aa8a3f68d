"""An eight-bit link over a serial adapter, which gives words their length: they are handed over early.

The last word of a piece alone waits until it should be over. So an other end without a bit rate (USB, a
network) has not heard all before it was said, and at one that has a bit rate a piece ends a word late.

What was read ended when it was read, at the latest; its words lie before that at the link's rate, but
neither before the last word of the same talker ended nor before the end of what was said to it.
"""

from benchsim.events import Burst
from benchsim.lines.line import Flight
from benchsim.ports.base import Piece, Port, pieces


class UartPort(Port):
    """Seats what is wired to a serial adapter. `port.uncertainty` says how good its times are."""

    paced = True

    def portions(self, burst: Burst) -> list[Piece]:
        length, found = burst.word_ticks(), []
        for piece in pieces(burst):
            last = piece.end - length
            if last > piece.start:
                found.append(Piece(piece.start, last, piece.words[:-1], early=True))
            found.append(Piece(last, piece.end, piece.words[-1:]))
        return found

    def was_cut(self, flight: Flight) -> None:
        super().was_cut(flight)
        if self.there:
            self.wire.drop_output()

    def read(self, data: bytes, at: int) -> None:
        self.arrived_by(tuple(data), at)

    def arrived_by(self, words: tuple[int, ...], at: int) -> None:
        """Words of which the last was over by `at`."""
        start = max(at - len(words) * self.line.word_ticks, self.last_end, self.heard_end)
        self.arrived(words, start, max(1, (at - start) // len(words)))
