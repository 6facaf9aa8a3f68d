"""Bytes through a file descriptor that the loop can watch: pseudo-terminals, serial devices, sockets."""

import asyncio
import os

from benchsim.ports.base import Port

LUMP = 4096


class Descriptor:
    """A wire on `fd`, -1 while there is none. It must not block."""

    path, uncertainty, note, adapter = "", 0, "", False

    def __init__(self):
        self.fd = -1
        self._port: Port | None = None
        self._reading = False

    def start(self, fd: int, port: Port) -> None:
        """Watch an open descriptor."""
        self.fd, self._port, self._loop = fd, port, asyncio.get_running_loop()
        self.pause(False)

    def write(self, data: bytes) -> int:
        """Bytes taken at once."""
        try:
            return os.write(self.fd, data)
        except BlockingIOError:  # nobody reads: a cable would drop them too
            return 0
        except OSError as error:
            self._gone(error)
            return 0

    def drop_output(self) -> None:
        """What a pseudo-terminal or a socket has taken is with the other end already."""

    def hold(self, active: bool) -> None:
        """They have no conductor to hold either."""

    def pause(self, paused: bool) -> None:
        """Read no more, or again."""
        if self.fd < 0 or self._reading is not paused:
            return
        self._reading = not paused
        if paused:
            self._loop.remove_reader(self.fd)
        else:
            self._loop.add_reader(self.fd, self._readable)

    def close(self) -> None:
        """Let go of the descriptor."""
        if self.fd < 0:
            return
        self.pause(True)
        fd, self.fd = self.fd, -1
        self.release(fd)

    def release(self, fd: int) -> None:
        """Close what was opened."""
        os.close(fd)

    def _readable(self) -> None:
        try:
            data = os.read(self.fd, LUMP)
        except BlockingIOError:
            return
        except OSError as error:
            self._gone(error)
            return
        if data:
            self._port.came(data, self._port.line.clock.now())
        else:
            self._gone(None)

    def _gone(self, error: OSError | None) -> None:
        """A write may find out in the middle of something: the port is told a moment later."""
        self.pause(True)
        why = error.strerror.lower() if error and error.strerror else "the other end hung up"
        self._loop.call_soon(self._port.gone, why)
