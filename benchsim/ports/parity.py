"""Nine-bit words through a serial adapter of eight bits: the parity bit is the ninth.

    send      mark parity makes it 1, space parity 0: switched wherever the mode bit changes, once all that
              was handed over before has left
    receive   parity stays at space; the system marks a word whose parity was wrong, so its bit was 1
              (POSIX termios, INPCK with PARMRK): FF 00 x, and FF FF for a good FF

A break and a word whose stop bit was wrong look like such a word, so `FF 00 00` is either a break or the
word 100. On the master's conductor it is a break (address 00 is nobody's), on the devices' it is ACK.
Pure functions: no clock and no port here.
"""

from collections.abc import Iterable
from itertools import groupby
from typing import NamedTuple

from benchsim.events import MODE

HELD = -1  # in place of a word: a break


class Step(NamedTuple):
    """What to do `at` so many ticks after the start of the first word."""

    at: int
    mark: bool  # parity from now on
    data: bytes  # bytes to hand over


def schedule(words: Iterable[int], word_ticks: int, settle: int) -> list[Step]:
    """Steps that put `words` on the conductor, and leave the parity at space.

    `settle`: ticks of idle line around each change, for what the adapter may be late.
    """
    steps: list[Step] = []
    at = 0
    for mark, run in groupby(words, key=lambda word: bool(word & MODE)):
        data = bytes(word & 0xFF for word in run)
        steps.append(Step(at, mark, data))
        at += len(data) * word_ticks + settle
    if steps and steps[-1].mark:
        steps.append(Step(at, False, b""))
    return steps


class MarkedDecoder:
    """What the system hands over with INPCK and PARMRK in, words out. `dropped` counts bytes that made none.

    `breaks`: `FF 00 00` is a break, not the word 100.
    """

    def __init__(self, breaks: bool):
        self.dropped = 0
        self._breaks = breaks
        self._escape = b""  # FF, or FF 00, of a mark that is not whole yet

    def feed(self, data: bytes, mark: bool = False) -> list[int]:
        """Words of nine bits, and HELD. `mark`: parity was at mark, so that a wrong one means 0."""
        words = []
        good, wrong = (MODE, 0) if mark else (0, MODE)
        for byte in data:
            if self._escape == b"\xff\x00":
                self._escape = b""
                words.append(HELD if byte == 0 and self._breaks and not mark else wrong | byte)
            elif self._escape:
                self._escape = b""
                if byte == 0xFF:
                    words.append(good | byte)
                elif byte == 0x00:
                    self._escape = b"\xff\x00"
                else:  # no system does that: both bytes are in doubt
                    self.dropped += 2
            elif byte == 0xFF:
                self._escape = b"\xff"
            else:
                words.append(good | byte)
        return words
