"""A nine-bit link over an ordinary serial adapter whose driver has mark and space parity. Linux.

Not tried on real hardware: drivers differ in when they report their output as drained, so the gap that a
change of parity puts between two words must be measured (`benchsim ports --qualify bus=parity:DEVICE`).
Framing errors cannot be told from mode bits here. What arrives while a word with mode bit is being sent
(nothing should) is read with that parity.
"""

import queue
import sys
import termios
import threading
from itertools import groupby

from benchsim.errors import UsageError
from benchsim.events import FRAMING, TICKS_PER_US, Burst, seconds, ticks
from benchsim.lines import Line
from benchsim.ports.base import Piece, Port, Wire, pieces
from benchsim.ports.parity import HELD, MarkedDecoder, Step, schedule
from benchsim.ports.serial_wire import SerialWire
from benchsim.ports.uart_port import UartPort
from benchsim.ports.urgent import thread_is_urgent

SETTLE = 100 * TICKS_PER_US  # idle line around a change of parity
BREAK_LENGTH = ticks(0.1)  # the least that a break of the bus lasts (MDB/ICP 4.3 §3)
CMSPAR = 0o10000000000  # Linux, asm-generic/termbits.h: mark or space parity in place of odd or even
IFLAG, CFLAG = 0, 2  # places in what tcgetattr gives


def with_parity(attributes: list, mark: bool) -> list:
    """Attributes of a terminal (termios) with mark or space parity, and wrong parity marked on input."""
    changed = list(attributes)
    on, off = (termios.PARODD, 0) if mark else (0, termios.PARODD)
    changed[CFLAG] = (changed[CFLAG] | termios.PARENB | CMSPAR | on) & ~off
    changed[IFLAG] |= termios.INPCK | termios.PARMRK
    changed[IFLAG] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
    return changed


class ParityWire(SerialWire):
    """DEVICE with its parity switched between words, by a thread: a drain waits."""

    def __init__(self, device: str, word):
        if not sys.platform.startswith("linux"):
            raise UsageError(f"parity:{device}: this system cannot mark parity on input; use pair:DEVICE")
        super().__init__(device, word)
        self.mark = False
        self._thread: threading.Thread | None = None

    def configure(self, fd: int) -> None:
        wanted = with_parity(termios.tcgetattr(fd), mark=False)
        termios.tcsetattr(fd, termios.TCSANOW, wanted)
        got = termios.tcgetattr(fd)
        if got[CFLAG] & (termios.PARENB | CMSPAR) != termios.PARENB | CMSPAR:
            raise UsageError(
                f"parity:{self.path}: this device or its driver has no mark and space parity; "
                "use another adapter, or pair:DEVICE"
            )

    def start(self, fd: int, port: Port) -> None:
        super().start(fd, port)
        self.mark = False
        self._stop = threading.Event()
        self._queue: queue.SimpleQueue[list[Step] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._send, args=(fd, port.line.clock), daemon=True)
        self._thread.start()

    def send(self, steps: list[Step]) -> None:
        """Take these steps from now on, after all earlier ones."""
        self._queue.put(steps)

    def drop_output(self) -> None:
        self._stop.set()
        super().drop_output()

    def release(self, fd: int) -> None:
        self._stop.set()
        self._queue.put(None)
        self._thread.join(1.0)
        super().release(fd)

    def _send(self, fd: int, clock) -> None:
        thread_is_urgent()
        while (steps := self._queue.get()) is not None:
            began = clock.now()
            self._stop.clear()
            for step in steps:
                self._stop.wait(max(0.0, seconds(began + step.at - clock.now())))
                try:
                    self._take(fd, step)
                except (OSError, termios.error):  # pulled: the reader finds out too
                    return

    def _take(self, fd: int, step: Step) -> None:
        if step.mark is not self.mark:
            attributes = with_parity(termios.tcgetattr(fd), step.mark)
            termios.tcsetattr(fd, termios.TCSADRAIN, attributes)
            self.mark = step.mark
        if step.data and not self._stop.is_set():
            self.write(step.data)


class ParityPort(UartPort):
    """Seats what is wired to an adapter of eight bits on a nine-bit line."""

    wire: ParityWire

    def __init__(self, line: Line, seat: str, out: bool, wire: Wire):
        self._decoder = MarkedDecoder(breaks=out)
        super().__init__(line, seat, out, wire)

    def portions(self, burst: Burst) -> list[Piece]:
        """A block at once: its changes of parity leave no time for more."""
        return [piece._replace(early=True) for piece in pieces(burst)]

    def say(self, words: tuple[int, ...]) -> None:
        good = [word for word in words if not word & FRAMING]
        if self.there:
            self.wire.send(schedule(good, self.line.word_ticks, SETTLE))
        else:
            self.lost += len(good)

    def read(self, data: bytes, at: int) -> None:
        words = self._decoder.feed(data, self.wire.mark)
        for held, run in groupby(words, key=lambda word: word == HELD):
            self.break_ended(at)
            if held:
                self._broke(at)
            else:
                self.arrived_by(tuple(run), at)
        self.dropped = self._decoder.dropped

    def _broke(self, at: int) -> None:
        """The system tells when a break begins and not when it ends: unless words end it, it is of the least length."""
        self.break_began(at)
        self.line.clock.call_at(at + BREAK_LENGTH, self._long_enough, self._break)

    def _long_enough(self, which: tuple[int, int]) -> None:
        if self._break is which:
            self.break_ended(self.line.clock.now())
