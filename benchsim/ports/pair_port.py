"""A nine-bit link over any wire that carries bytes: two bytes a word, told and written word by word.

A word ends when its second byte is read. It began a word's length before, but neither before the last
word of the same talker ended nor before the end of what was said to it. Words of one lump follow each
other at a tick, as no bit rate parts them. Ours are written one by one, each when it ends.
"""

from benchsim.lines import Line
from benchsim.ports.base import Port, Wire
from benchsim.ports.pairs import HELD, RELEASED, PairDecoder, encode
from benchsim.ports.pty import PtyWire


class PairPort(Port):
    """Seats what speaks two-byte words at the other end of `wire`: the asking side or a device."""

    most = 1

    def __init__(self, line: Line, seat: str, out: bool, wire: Wire):
        self._decoder = PairDecoder()
        self._odd = 0  # ends of breaks that never began, and the other way about
        super().__init__(line, seat, out, wire)

    def say(self, words: tuple[int, ...]) -> None:
        self.write(encode(words))

    def hold(self, active: bool) -> None:
        self.write(encode((HELD if active else RELEASED,)))

    def read(self, data: bytes, at: int) -> None:
        lump: list[int] = []
        for word in self._decoder.feed(data):
            if word < HELD and not self.in_break:
                lump.append(word)
                continue
            self._lump(lump, at)
            lump = [word] if word < HELD else []
            self._broke(word, at)
        self._lump(lump, at)
        self.dropped = self._decoder.dropped + self._odd

    def _lump(self, lump: list[int], at: int) -> None:
        if not lump:
            return
        start = max(at - self.line.word_ticks, self.last_end, self.heard_end)
        end = max(at, start + 1)
        self.arrived((lump[0],), start, end - start)
        if lump[1:]:
            self.arrived(tuple(lump[1:]), end)

    def _broke(self, word: int, at: int) -> None:
        """A break begins or ends; a word ends it too, since its end was lost."""
        if (word == HELD) is self.in_break:
            self._odd += 1
        if word != HELD:
            self.break_ended(at)
        elif not self.in_break:
            self.break_began(at)


class PairPtyPort(PairPort):
    """The same on a pseudo-terminal: a program opens `path` and takes the seat."""

    def __init__(self, line: Line, seat: str, out: bool, link: str = ""):
        super().__init__(line, seat, out, PtyWire(link))
