"""A peer on the network: it listens, we connect."""

import errno
import os
import select
import socket

from benchsim.clock.real_loop import BLIND
from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.ports.base import Port
from benchsim.ports.descriptor import Descriptor

PATIENCE = 3.0  # seconds that the first connection may take; later ones take as many tries as they need
_LOOPBACK = ("127.", "::1")


class TcpWire(Descriptor):
    """A connection to HOST:PORT. It is made once more when the peer hung up."""

    note = "qualify this connection (benchsim ports --qualify) to know its delay"

    def __init__(self, host: str, port: int):
        super().__init__()
        self.path = f"{host}:{port}"
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError):  # the latter for what can be no host's name
            raise UsageError(f"tcp:{self.path}: no such host, expected tcp:HOST:PORT") from None
        self._addresses = [(family, address) for family, _, _, _, address in found]
        near = self._addresses[0][1][0].startswith(_LOOPBACK)
        self.uncertainty = BLIND if near else ticks(0.02)
        self._patience = PATIENCE
        self._pending: socket.socket | None = None

    def open(self, port: Port) -> None:
        why = None
        for _ in self._addresses:
            why = self._connect()
            if why is None:
                self._patience = 0.0
                made, self._pending = self._pending, None
                made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.start(made.detach(), port)
                return
            self._addresses.append(self._addresses.pop(0))  # the next try is at the next one
        raise UsageError(f"tcp:{self.path}: {why}; is the peer listening there?")

    def _connect(self) -> str | None:
        """Begin a connection, or look after the one begun. What is wrong, or None once it stands."""
        if self._pending is None:
            family, address = self._addresses[0]
            self._pending = socket.socket(family, socket.SOCK_STREAM)
            self._pending.setblocking(False)
            if (failed := self._pending.connect_ex(address)) not in (0, errno.EINPROGRESS):
                return self._give_up(failed)
        _, ready, _ = select.select([], [self._pending], [], self._patience)
        if not ready:
            return self._give_up(errno.ETIMEDOUT) if self._patience else "no answer yet"
        failed = self._pending.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        return self._give_up(failed) if failed else None

    def _give_up(self, failed: int) -> str:
        self._pending.close()
        self._pending = None
        return os.strerror(failed).lower()

    def close(self) -> None:
        super().close()
        if self._pending:
            self._pending.close()
            self._pending = None
