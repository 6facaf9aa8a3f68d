"""Nine-bit words on an eight-bit stream: two bytes a word (kit link reference, "The bus on a byte stream").

    word    first byte   100m hhhh   m the mode bit, h the high nibble
            second byte  0000 llll   l the low nibble
    break   C0 begins, C1 ends

Bit 7 marks a first byte, so a reader that lost a byte finds its place at the next word. No clock and no
port here.
"""

from collections.abc import Iterable

from benchsim.events import BREAK, FRAMING, MODE

HELD = BREAK  # in place of a word: a break begins
RELEASED = BREAK | 1  # it ends

_FIRST, _FIRST_MASK, _MODE = 0x80, 0xE0, 0x10
_BREAKS = {0xC0: HELD, 0xC1: RELEASED}
_BREAK_BYTES = {word: bytes((byte,)) for byte, word in _BREAKS.items()}


def encode(words: Iterable[int]) -> bytes:
    """The bytes of words, HELD and RELEASED among them.

    A spoilt word (FRAMING) goes out as a first byte without a second: whoever reads it drops it.
    """
    return b"".join(_BREAK_BYTES.get(word) or _encode_word(word) for word in words)


def _encode_word(word: int) -> bytes:
    first = _FIRST | (_MODE if word & MODE else 0) | (word & 0xFF) >> 4
    return bytes((first,)) if word & FRAMING else bytes((first, word & 0x0F))


class PairDecoder:
    """Bytes in, words out. `dropped` counts bytes that made none."""

    def __init__(self):
        self.dropped = 0
        self._first: int | None = None

    def feed(self, data: bytes) -> list[int]:
        """Words of nine bits, HELD, RELEASED, in order."""
        words = []
        for byte in data:
            if byte <= 0x0F and self._first is not None:
                words.append((self._first & 0x1F) << 4 | byte)
                self._first = None
            elif byte & _FIRST_MASK == _FIRST:
                self._drop_first()
                self._first = byte
            else:
                self._drop_first()
                if byte in _BREAKS:
                    words.append(_BREAKS[byte])
                else:
                    self.dropped += 1
        return words

    def _drop_first(self) -> None:
        if self._first is not None:
            self.dropped += 1
            self._first = None
