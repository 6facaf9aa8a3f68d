"""What pyserial opens by URL: `socket://`, `rfc2217://`, `loop://` and more. Read and written by two threads.

Such a port has no descriptor to watch, and a write may wait for the peer. Times are taken by the reading
thread.
"""

import asyncio
import queue
import threading

import serial

from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.ports.base import Port
from benchsim.ports.urgent import thread_is_urgent
from benchsim.schema.word import WordFormat

LOOK = 0.05  # seconds until a thread sees that it should end
WAITING = 4096  # bytes that may wait to be written


class UrlWire:
    """A URL at the link's rate, where the other end cares for one."""

    uncertainty, adapter = ticks(0.020), False

    def __init__(self, url: str, word: WordFormat | None = None):
        self.path, self._word = url, word
        self.note = "qualify this connection (benchsim ports --qualify) to know its delay"
        self._opening: threading.Thread | None = None
        self._found: list = []  # what opening gave: a port, or an error
        self._first = True
        self._session: _Session | None = None

    def open(self, port: Port) -> None:
        """The first time waits; later ones look whether a thread has opened it by now."""
        if self._first:
            self._try()
            self._first = False
        elif self._opening is None:
            self._opening = threading.Thread(target=self._try, daemon=True)
            self._opening.start()
        if self._opening and self._opening.is_alive():
            raise UsageError(f"{self.path}: no answer yet")
        self._opening = None
        found = self._found.pop()
        if not isinstance(found, serial.SerialBase):
            raise UsageError(f"{self.path}: {' '.join(str(found).split())}")
        self._session = _Session(found, port)

    def _try(self) -> None:
        word = self._word or WordFormat(115_200, 8, 1)
        try:
            made = serial.serial_for_url(
                self.path, word.baud, bytesize=min(word.data_bits, 8), stopbits=word.stop_bits, timeout=LOOK
            )
        except Exception as error:  # each kind of URL has its own
            made = error
        self._found.append(made)

    def write(self, data: bytes) -> int:
        """Bytes that the writing thread will hand over."""
        return self._session.write(data) if self._session else 0

    def drop_output(self) -> None:
        """Bytes that still wait for the writing thread."""
        if self._session:
            self._session.drop()

    def hold(self, active: bool) -> None:
        """Where the URL's port has breaks."""
        if self._session:
            self._session.hold(active)

    def pause(self, paused: bool) -> None:
        """Read no more, or again."""
        if self._session:
            (self._session.reading.clear if paused else self._session.reading.set)()

    def close(self) -> None:
        """End the threads and let go."""
        if self._session:
            self._session.close()
            self._session = None
        while self._found:
            if isinstance(left := self._found.pop(), serial.SerialBase):
                left.close()


class _Session:
    """One open port and its two threads."""

    def __init__(self, made: serial.SerialBase, port: Port):
        self._serial, self._port = made, port
        self._loop = asyncio.get_running_loop()
        self._ended = False
        self._queue: queue.SimpleQueue[bytes | bool | None] = queue.SimpleQueue()
        self._put = self._done = 0  # bytes queued (this thread's count), bytes written (the writing thread's)
        self.reading = threading.Event()
        self.reading.set()
        self._taken = threading.Event()  # a busy loop has one lump waiting, not as many as the thread can read
        self._threads = [threading.Thread(target=each, daemon=True) for each in (self._read, self._write)]
        for thread in self._threads:
            thread.start()

    def write(self, data: bytes) -> int:
        taken = data[: max(0, WAITING - (self._put - self._done))]
        self._put += len(taken)
        self._queue.put(taken)
        return len(taken)

    def hold(self, active: bool) -> None:
        self._queue.put(active)

    def drop(self) -> None:
        try:
            while True:
                if isinstance(what := self._queue.get_nowait(), bytes):
                    self._put -= len(what)
        except queue.Empty:
            return

    def close(self) -> None:
        self._ended = True
        self.reading.set()
        self._taken.set()
        self._queue.put(None)
        for thread in self._threads:
            thread.join(10 * LOOK)  # one that hangs in a write is freed by closing
        self._serial.close()

    def _read(self) -> None:
        thread_is_urgent()
        try:
            while not self._ended:
                self.reading.wait()
                data = self._serial.read(max(1, min(self._serial.in_waiting, WAITING)))
                if data and not self._ended:
                    self._taken.clear()
                    self._tell(self._came, data, self._port.line.clock.now())
                    self._taken.wait()
        except Exception as error:  # each kind of URL has its own
            self._tell(self._gone, error)

    def _write(self) -> None:
        thread_is_urgent()
        try:
            while (what := self._queue.get()) is not None:
                if isinstance(what, bool):
                    self._serial.break_condition = what
                else:
                    self._serial.write(what)
                    self._done += len(what)
        except Exception as error:
            self._tell(self._gone, error)

    def _tell(self, call, *args) -> None:
        if self._ended:
            self._taken.set()
            return
        try:
            self._loop.call_soon_threadsafe(call, *args)
        except RuntimeError:  # the loop is closed: nobody is left to be told
            self._ended = True
            self._taken.set()

    def _came(self, data: bytes, at: int) -> None:
        if not self._ended:
            self._port.came(data, at)
        self._taken.set()

    def _gone(self, error: Exception) -> None:
        if not self._ended:
            self._port.gone(" ".join(str(error).split()) or "the other end hung up")
