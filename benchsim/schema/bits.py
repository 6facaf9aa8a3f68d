"""Bit layouts written as the standard draws them: `bits = "01rrtttt zzzzzzzz"`.

A digit is a fixed bit, a letter a bit of the field that the letter stands for. A field's bits stand
together, most significant first.
"""

from benchsim.errors import UsageError
from benchsim.schema.fields import Misfit


class BitLayout:
    """A pattern of whole bytes. `first` tells which values its first byte can take."""

    def __init__(self, pattern: str, names: dict[str, str], place: str):
        text = pattern.replace(" ", "")
        if not text or len(text) % 8 or not all(ch in "01" or ch.isalpha() for ch in text):
            raise UsageError(f"{place}: expected whole bytes of 0, 1 and letters, not {pattern!r}")
        self.pattern = pattern
        self.size = len(text) // 8
        self._mask = int("".join("1" if ch in "01" else "0" for ch in text), 2)
        self._fixed = int("".join(ch if ch in "01" else "0" for ch in text), 2)
        self.fields: dict[str, tuple[int, int]] = {}  # name -> (shift, mask before the shift)
        for letter in dict.fromkeys(ch for ch in text if ch.isalpha()):
            start, end = text.index(letter), text.rindex(letter) + 1
            if text[start:end] != letter * (end - start):
                raise UsageError(f"{place}: the bits of {letter!r} do not stand together in {pattern!r}")
            if letter not in names:
                raise UsageError(f"{place}: {letter!r} in {pattern!r} has no name in `names`")
            self.fields[names[letter]] = (len(text) - end, (1 << (end - start)) - 1)
        if unused := set(names) - set(text):
            raise UsageError(f"{place}: `names` tells of {', '.join(sorted(unused))}, not in {pattern!r}")
        mask, fixed = (v >> 8 * (self.size - 1) & 0xFF for v in (self._mask, self._fixed))
        self.first = tuple(b for b in range(256) if b & mask == fixed)

    def parse(self, data: bytes) -> dict:
        """Bytes to values; Misfit if length or fixed bits differ."""
        if len(data) != self.size:
            raise Misfit("length", f"{len(data)} bytes, expected {self.size}")
        value = int.from_bytes(data, "big")
        if value & self._mask != self._fixed:
            raise Misfit("range", f"{data.hex(' ')} is not {self.pattern}")
        return {name: value >> shift & mask for name, (shift, mask) in self.fields.items()}

    def build(self, values: dict) -> bytes:
        """Values to bytes; Misfit for a value too large for its bits."""
        total = self._fixed
        if set(values) != set(self.fields):
            raise Misfit("length", f"expected values for {', '.join(self.fields)}")
        for name, (shift, mask) in self.fields.items():
            if not 0 <= values[name] <= mask:
                raise Misfit("range", f"{name} = {values[name]}")
            total |= values[name] << shift
        return total.to_bytes(self.size, "big")
