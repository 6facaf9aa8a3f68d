"""The blocks of a pcapng file, of either byte order, up to the last whole one."""

import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

from benchsim.captures.base import open_bytes

CHUNK = 1 << 16
BIGGEST_BLOCK = 1 << 24  # bytes; a longer one is not a block but damage
SECTION_MARK = b"\x0a\x0d\x0d\x0a"  # the same in either byte order
BYTE_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}


class Blocks:
    """Iterate it, or look at `data` from `at` on and move `at` over what was understood there.

    `bad(offset, expected)` makes the error for what no whole file holds.
    """

    def __init__(self, path: Path, bad: Callable):
        self._file, self._bad = open_bytes(path), bad
        self.data, self.at = b"", 0  # a piece of the file, and where the next block begins in it
        self._before = 0  # bytes of the file in front of `data`
        self.order = "<"
        self.unfinished: tuple[int, int | None] = (0, None)  # offset and type of the block cut by the end
        self.left: int | None = None  # bytes of it, if there is one

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc) -> None:
        self._file.close()

    @property
    def offset(self) -> int:
        """Of the next block in the file."""
        return self._before + self.at

    def _more(self, least: int) -> None:
        """Let `data` begin with the next block, and hold so many bytes if there are."""
        self._before, self.data, self.at = self.offset, self.data[self.at :] + self._file.read(max(CHUNK, least)), 0

    def __iter__(self) -> Iterator[tuple[int, int, bytes]]:
        """(offset, type, what follows the length) of every whole block."""
        while True:
            if len(self.data) - self.at < 12 or self.data.startswith(SECTION_MARK, self.at):
                self._more(0)
                if not self._begins():
                    return
            kind, length = struct.unpack_from(self.order + "II", self.data, self.at)
            if length < 12 or length & 3 or length > BIGGEST_BLOCK:
                return self._never_written(kind, length)
            if self.at + length > len(self.data):
                self._more(length)
                if length > len(self.data):
                    return self._cut(kind, len(self.data))
            offset, end = self.offset, self.at + length
            body = self.data[self.at + 8 : end]
            if body[-4:] != self.data[self.at + 4 : self.at + 8]:
                raise self._bad(offset + length - 4, f"expected the block length {length} again")
            self.at = end
            yield offset, kind, body

    def _begins(self) -> bool:
        """Can a block begin here? A section says in which order its bytes are."""
        if self.data[:4] == SECTION_MARK:
            magic = self.data[8:12]
            if len(magic) == 4 and magic not in BYTE_ORDERS:
                raise self._bad(self.offset + 8, "expected the byte-order magic 1a2b3c4d")
            self.order = BYTE_ORDERS.get(magic, "<")
        elif self.offset == 0 and self.data:
            raise self._bad(0, "expected a pcapng section header (0a 0d 0d 0a)")
        if 0 < len(self.data) < 8:
            self._cut(struct.unpack(self.order + "I", self.data[:4])[0] if len(self.data) >= 4 else None, len(self.data))
        elif not self.data:
            self.unfinished = self.offset, None
        return len(self.data) >= 8

    def _cut(self, kind: int | None, left: int) -> None:
        self.unfinished, self.left = (self.offset, kind), left

    def _never_written(self, kind: int, length: int) -> None:
        """Space that a file has and that was never written is as good as cut off."""
        rest = self.data[self.at :]
        if any(rest) or any(map(any, iter(lambda: self._file.read(CHUNK), b""))):
            raise self._bad(self.offset + 4, f"block length {length}, expected 12, 16, 20 and so on")
        self._cut(kind, self._file.tell() - self.offset)
