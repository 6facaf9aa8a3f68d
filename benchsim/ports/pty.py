"""A pseudo-terminal in the place of a cable: a program opens its path like a serial port."""

import os
from pathlib import Path

from benchsim.clock.real_loop import BLIND
from benchsim.errors import UsageError
from benchsim.lines import Line
from benchsim.ports.base import Port
from benchsim.ports.descriptor import Descriptor


class PtyWire(Descriptor):
    """Our end of a pseudo-terminal; `link`: a symbolic link to make to the other end."""

    uncertainty = BLIND  # what is noted later than that is told as a stall
    note = "use a serial adapter instead of a pseudo-terminal to measure gaps"

    def __init__(self, link: str = ""):
        super().__init__()
        self._link, self._theirs = link, -1
        self.path = link

    def open(self, port: Port) -> None:
        try:
            import tty
        except ImportError:
            raise UsageError("pty: this system has no pseudo-terminals; use serial:DEVICE or tcp:HOST:PORT") from None
        try:
            ours, self._theirs = os.openpty()
        except OSError as error:
            raise UsageError(f"pty: {error.strerror.lower()}, expected a system with a pseudo-terminal to spare") from None
        for fd in (ours, self._theirs):
            tty.setraw(fd)
        # Ours alone: who opens theirs gets a description of its own, and may want to block.
        os.set_blocking(ours, False)
        name = os.ttyname(self._theirs)
        self.path = self._link or name
        try:
            if self._link:
                _make_link(Path(self._link), name)
        except UsageError:
            for fd in (ours, self._theirs):
                os.close(fd)
            raise
        self.start(ours, port)

    def close(self) -> None:
        if self.fd < 0:
            return
        if self._link and os.path.islink(self._link) and os.readlink(self._link) == os.ttyname(self._theirs):
            os.unlink(self._link)
        super().close()
        os.close(self._theirs)


def _make_link(link: Path, name: str) -> None:
    try:
        if link.is_symlink() and not link.exists():  # left over from a bench that was killed
            link.unlink()
        link.symlink_to(name)
    except FileExistsError:
        raise UsageError(f"pty:{link}: this exists already; remove it, or choose another path") from None
    except OSError as error:
        raise UsageError(f"pty:{link}: {error.strerror.lower()}, expected a path where a link can be made") from None


class PtyPort(Port):
    """Seats whatever opens `path` on a line. Eight-bit links only."""

    def __init__(self, line: Line, seat: str, out: bool, link: str = ""):
        super().__init__(line, seat, out, PtyWire(link))
