"""A serial device of this computer, opened with pyserial, watched by the loop where the system allows.

Not tried on real hardware: what a driver does when its adapter is pulled (a pseudo-terminal reads as hung
up, an error or an empty read is taken alike), breaks, and low latency.
"""

import errno
import os
import re
import termios
from collections.abc import Iterator
from pathlib import Path

import serial

from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.ports.base import Port
from benchsim.ports.descriptor import Descriptor
from benchsim.ports.stable import stable_path
from benchsim.schema.word import WordFormat

ADAPTER_BAUD = 115_200  # of a microcontroller that speaks two bytes a word; most take any
SLOW, FAST = ticks(0.020), ticks(0.005)  # a USB adapter hands over every 16 ms, or 1 ms if its driver may


class SerialWire(Descriptor):
    """DEVICE at the link's rate. Comes back by its stable path, if it has one, after it was pulled."""

    def __init__(self, device: str, word: WordFormat | None = None):
        super().__init__()
        self.path = self._stable = device
        self._word, self.adapter = word, True
        self.low_latency = False
        self._serial: serial.Serial | None = None
        self.uncertainty, self.note = SLOW, "qualify this adapter (benchsim ports --qualify) to know its delay"

    def open(self, port: Port) -> None:
        baud = self._word.baud if self._word else ADAPTER_BAUD
        bits = min(self._word.data_bits, 8) if self._word else 8
        stop = self._word.stop_bits if self._word else 1
        try:
            self._serial = serial.Serial(
                self._stable, baud, bits, stopbits=stop, timeout=0, write_timeout=0, exclusive=True
            )
        except (serial.SerialException, OSError, ValueError, termios.error) as error:
            raise UsageError(f"{self.path}: {cure(error, self._stable)}") from None
        try:
            self.configure(self._serial.fd)
            self.low_latency = _low_latency(self._serial)
        except (OSError, termios.error) as error:  # pulled again already, or not what it seemed
            self._serial.close()
            raise UsageError(f"{self.path}: {cure(error, self._stable)}") from None
        except BaseException:
            self._serial.close()
            raise
        self.uncertainty = FAST if self.low_latency else SLOW
        self._stable = stable_path(self.path)
        self.start(self._serial.fd, port)

    def configure(self, fd: int) -> None:
        """Whatever else the descriptor needs."""

    def drop_output(self) -> None:
        try:
            termios.tcflush(self.fd, termios.TCOFLUSH)
        except (OSError, termios.error):  # pulled: told when it is read next
            pass

    def hold(self, active: bool) -> None:
        try:
            self._serial.break_condition = active
        except (OSError, termios.error):
            pass

    def release(self, fd: int) -> None:
        try:
            termios.tcflush(fd, termios.TCIOFLUSH)  # else a driver waits up to half a minute for it to drain
        except (OSError, termios.error):
            pass
        self._serial.close()


def _low_latency(port: serial.Serial) -> bool:
    """Ask the driver to hand over at once. Not every driver has that, nor every system."""
    try:
        port.set_low_latency_mode(True)
    except (AttributeError, NotImplementedError, ValueError, OSError):
        return False
    return True


# What stops a device from being opened, and what helps.
_CURES = {
    errno.ENOENT: "no such device; is it plugged in? (list: benchsim ports)",
    errno.ENODEV: "no such device; is it plugged in? (list: benchsim ports)",
    errno.ENXIO: "no such device; is it plugged in? (list: benchsim ports)",
    errno.ENOTTY: "this is no serial device, expected one of: benchsim ports",
    errno.EINVAL: "the driver refuses these settings, expected a serial device (list: benchsim ports)",
    errno.EIO: "this is no working serial device, expected one of: benchsim ports",
    errno.EISDIR: "this is a folder, expected a serial device (list: benchsim ports)",
}
_BUSY = (errno.EBUSY, errno.EAGAIN)
_DENIED = (errno.EACCES, errno.EPERM)


def cure(error: Exception, device: str) -> str:
    """One line: what is wrong with opening `device`, and the usual cure."""
    number = error_number(error)
    if number in _BUSY:
        holders = ", ".join(who_holds(device))
        return f"busy: {holders or 'another program'} has it open; end that first"
    if number in _DENIED:
        group = _group(device)
        return f"permission denied; usual cure: sudo usermod -aG {group} $USER, then log in again"
    return _CURES.get(number) or " ".join(str(error).split()).lower()


def error_number(error: Exception) -> int | None:
    """The system's number of an error, which pyserial sometimes tells in words only."""
    if getattr(error, "errno", None):
        return error.errno
    if isinstance(error, termios.error):
        return error.args[0]
    found = re.search(r"\((\d+), |Errno (\d+)", str(error))
    return int(found[1] or found[2]) if found else None


def _group(device: str) -> str:
    try:
        return Path(device).group()
    except (OSError, KeyError):
        return "dialout"


def who_holds(device: str, proc: Path = Path("/proc")) -> Iterator[str]:
    """Programs that have `device` open, as far as this user may see (Linux)."""
    target = os.path.realpath(device)
    for process in sorted(proc.glob("[0-9]*"), key=lambda path: int(path.name)):
        try:
            held = any(os.path.realpath(fd) == target for fd in (process / "fd").iterdir())
            name = (process / "comm").read_text("utf-8", "replace").strip() if held else ""
        except OSError:
            continue
        if held:
            yield f"{name} (process {process.name})"
