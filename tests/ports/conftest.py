"""A port in real time with its other end in the hands of the test. Deadlines are for broken code only."""

import asyncio
import os
import select
import socket
import threading
import tty

import pytest

from benchsim.clock import run
from benchsim.events import Burst
from benchsim.lines import Line, Trace
from benchsim.ports import open_port
from benchsim.schema.word import WordFormat

EIGHT = WordFormat(115_200, 8, 1)
NINE = WordFormat(9600, 9, 1)
DEADLINE = 20.0  # seconds; never reached by working code


class OtherEnd:
    """What is at the other end of a wire: `send`, `receive`, and where it can be done `pull` and `push`."""

    can_be_pulled = False

    def __init__(self, folder):
        self.folder, self.fd = folder, -1

    def where(self) -> str:
        """Make what `open_port` shall find."""
        raise NotImplementedError

    def seated(self, port) -> None:
        """The port is open."""

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.fd, data) :]

    def receive(self) -> bytes:
        return os.read(self.fd, 65536) if select.select([self.fd], [], [], 0)[0] else b""

    def close(self) -> None:
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1


class PtyOther(OtherEnd):
    """A program that opens the port's path."""

    kind = "pty"

    def where(self):
        return self.kind

    def seated(self, port):
        self.fd = os.open(port.path, os.O_RDWR | os.O_NOCTTY)


class LinkedPtyOther(PtyOther):
    def where(self):
        return f"{self.kind}:{self.folder}/link"


class PairPtyOther(PtyOther):
    kind = "pair-pty"


class DeviceOther(OtherEnd):
    """A device: the far side of a pseudo-terminal of ours, found by a path that outlives it."""

    kind, can_be_pulled = "serial", True

    def where(self):
        self.push()
        return f"{self.kind}:{self.folder}/device"

    def push(self):
        self.fd, device = os.openpty()
        tty.setraw(device)
        link = self.folder / "device"
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(device))
        self._device = device

    def seated(self, port):
        os.close(self._device)  # from now on a closed `fd` hangs up
        self._device = -1

    def pull(self):
        (self.folder / "device").unlink()
        self.close()

    def close(self):
        super().close()
        if self._device >= 0:
            os.close(self._device)
            self._device = -1


class PairDeviceOther(DeviceOther):
    kind = "pair"


class TcpOther(OtherEnd):
    """A peer that listens."""

    url, can_be_pulled = "tcp:", True

    def where(self):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.number = self.listener.getsockname()[1]
        return f"{self.url}127.0.0.1:{self.number}"

    def seated(self, port):
        self.fd = self.listener.accept()[0].detach()

    def pull(self):
        super().close()
        self.listener.close()

    def push(self):
        self.listener = socket.create_server(("127.0.0.1", self.number))

    def close(self):
        super().close()
        self.listener.close()


class SocketUrlOther(TcpOther):
    url, can_be_pulled = "serial:socket://", True


class PairSocketUrlOther(TcpOther):
    url = "pair:socket://"


class Rfc2217Other(DeviceOther):
    """A serial device behind pyserial's own server for RFC 2217."""

    can_be_pulled = False

    def where(self):
        import serial.rfc2217

        super().where()
        self.listener = socket.create_server(("127.0.0.1", 0))

        class Lined(serial.Serial):
            """A pseudo-terminal has no modem lines; the server handles them."""

            cts = dsr = cd = dtr = rts = True
            ri = False

        self.device = Lined(str(self.folder / "device"), timeout=0.02)
        self.ended = False

        def serve():
            connection = self.listener.accept()[0]
            connection.settimeout(0.02)

            class Sender:
                write = staticmethod(connection.sendall)

            manager = serial.rfc2217.PortManager(self.device, Sender)
            with connection:
                while not self.ended:
                    if data := self.device.read(max(1, self.device.in_waiting)):
                        connection.sendall(b"".join(manager.escape(data)))
                    try:
                        if not (data := connection.recv(4096)):
                            return
                    except TimeoutError:
                        continue
                    except OSError:
                        return
                    self.device.write(b"".join(manager.filter(data)))

        self.thread = threading.Thread(target=serve)
        self.thread.start()
        return f"serial:rfc2217://127.0.0.1:{self.listener.getsockname()[1]}"

    def close(self):
        self.ended = True
        self.thread.join()
        self.listener.close()
        self.device.close()
        super().close()


OTHERS = {
    "pty": (PtyOther, EIGHT),
    "pty:PATH": (LinkedPtyOther, EIGHT),
    "pair-pty": (PairPtyOther, NINE),
    "serial": (DeviceOther, EIGHT),
    "pair": (PairDeviceOther, NINE),
    "tcp": (TcpOther, EIGHT),
    "tcp, nine bits": (TcpOther, NINE),
    "serial:socket": (SocketUrlOther, EIGHT),
    "pair:socket": (PairSocketUrlOther, NINE),
    "serial:rfc2217": (Rfc2217Other, EIGHT),
}


class Table:
    """A line with our own party on one side and a port's other end on the other."""

    def __init__(self, clock, other, word, out):
        self.clock, self.other, self.word, self.out = clock, other, word, out
        self.nine = word.data_bits == 9
        self.trace = Trace(clock)
        self.trace.listeners.append(self)
        self.bursts, self.happenings, self.heard = [], [], []
        self.line = Line("bus" if self.nine else "kit", word.ticks, clock, self.trace)
        self.line.attach("ours", not out, self.heard.append)
        self.line.attach("neighbour", out, lambda burst: None)
        self.port = open_port(other.where(), self.line, "theirs", out, word)
        other.seated(self.port)

    def burst(self, burst: Burst) -> None:
        self.bursts.append(burst)

    def happening(self, happening) -> None:
        self.happenings.append(happening)

    def words(self) -> list[int]:
        """All that our party has heard."""
        return [word for burst in self.heard for word in burst.words]

    async def until(self, holds) -> None:
        """Let time pass until `holds()`."""
        async with asyncio.timeout(DEADLINE):
            while not holds():
                await self.clock.sleep(0.002)

    async def received(self, count: int) -> bytes:
        """That many bytes at the other end."""
        got = b""

        def enough():
            nonlocal got
            got += self.other.receive()
            return len(got) >= count

        await self.until(enough)
        return got

    def close(self) -> None:
        self.port.close()
        self.clock.stop()
        self.trace.close()


def pytest_generate_tests(metafunc):
    """Every kind that a test asks for (`kinds_that`), all by default."""
    if "kind" in metafunc.fixturenames:
        marker = metafunc.definition.get_closest_marker("kinds_that")
        wanted = marker.args[0] if marker else lambda make, word: True
        metafunc.parametrize("kind", [name for name, kind in OTHERS.items() if wanted(*kind)])


@pytest.fixture
def at_table(kind, tmp_path):
    """Plays `script(table)` at a table with the kind's other end; `out`: it sits on the asking side."""

    def play(script, out=True):
        make, word = OTHERS[kind]
        other = make(tmp_path)

        async def main(clock):
            table = Table(clock, other, word, out)
            try:
                await script(table)
            finally:
                table.close()

        try:
            run(main, virtual=False)
        finally:
            other.close()

    return play


def pytest_configure(config):
    config.addinivalue_line("markers", "kinds_that(holds): only kinds of port for which holds(make, word)")
