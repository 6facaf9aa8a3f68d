"""A pseudo-terminal in the place of a cable: the program under test opens its path like a serial port.

A pseudo-terminal has no bit rate and hands bytes over in lumps. So a lump is told as it was: at one moment,
its words a tick long; gaps inside a frame are not measured. What we say is written when its last bit would
have passed.
"""

import asyncio
import os
import tty

from benchsim.events import Burst
from benchsim.lines import Line

_LUMP = 4096


class PtyPort:
    """Seats whatever opens `path` on a line. Eight-bit links only."""

    def __init__(self, line: Line, seat: str, out: bool):
        self.line, self.seat, self.out = line, seat, out
        self._ours, self._theirs = os.openpty()
        for fd in (self._ours, self._theirs):
            tty.setraw(fd)
            os.set_blocking(fd, False)
        self.path = os.ttyname(self._theirs)
        self.lost = 0  # bytes that the other side did not take
        self._last_end = 0
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._ours, self._readable)
        line.attach(seat, out, self._write)

    def close(self) -> None:
        """Hang up."""
        self._loop.remove_reader(self._ours)
        os.close(self._ours)
        os.close(self._theirs)

    def _write(self, burst: Burst) -> None:
        if burst.is_break:
            return
        data = bytes(word & 0xFF for word in burst.words)
        try:
            self.lost += len(data) - os.write(self._ours, data)
        except BlockingIOError:  # nobody reads: a cable would drop them too
            self.lost += len(data)

    def _readable(self) -> None:
        try:
            data = os.read(self._ours, _LUMP)
        except (BlockingIOError, OSError):
            return
        if not data:
            return
        start = max(self.line.clock.now(), self._last_end)
        self._last_end = start + len(data)
        self.line.arrived(Burst(start, self._last_end, self.line.name, self.out, self.seat, tuple(data)))
