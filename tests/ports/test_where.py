"""WHERE as a person writes it, and what stops it: one line, the usual cure, nothing left open."""

import errno
import os
import re
import socket
import termios

import pytest
import serial

from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.lines import Line, Trace
from benchsim.ports import default_where, open_port
from benchsim.ports.serial_wire import SerialWire, cure, error_number, who_holds
from benchsim.ports.stable import stable_path
from benchsim.schema.word import WordFormat

EIGHT, NINE = WordFormat(115_200, 8, 1), WordFormat(9600, 9, 1)


def refusal(where, word=EIGHT):
    """What `open_port` says; it leaves nothing open."""
    before = len(os.listdir("/proc/self/fd"))
    told = []

    async def main(clock):
        line = Line("kit", word.ticks, clock, Trace(clock))
        with pytest.raises(UsageError) as refused:
            open_port(where, line, "host", True, word)
        told.append(str(refused.value))

    run(main, virtual=False)
    assert len(os.listdir("/proc/self/fd")) == before
    (one,) = told
    assert "\n" not in one and "Traceback" not in one
    return one


@pytest.mark.parametrize(
    ("where", "word", "told"),
    [
        ("usb:0", EIGHT, r"expected one of pty\[:PATH\], .*tcp:HOST:PORT"),
        ("", EIGHT, r"expected one of pty"),
        ("pty", NINE, r"kit=pty: the words of this link have 9 bits, expected pair-pty"),
        ("serial:/dev/ttyX", NINE, r"9 bits, expected pair-pty\[:PATH\], pair:DEVICE, parity:DEVICE, tcp:HOST:PORT"),
        ("pair-pty", EIGHT, r"8 bits, expected pty"),
        ("serial", EIGHT, r"kit=serial: expected serial:DEVICE"),
        ("tcp:", EIGHT, r"kit=tcp:: expected tcp:HOST:PORT"),
        ("tcp:4000", EIGHT, r"expected tcp:HOST:PORT, such as"),
        ("tcp:127.0.0.1:99999", EIGHT, r"expected tcp:HOST:PORT"),
        ("tcp:127.0.0.1:x", EIGHT, r"expected tcp:HOST:PORT"),
        ("serial:/dev/none", EIGHT, r"/dev/none: no such device; is it plugged in\? \(list: benchsim ports\)"),
        ("serial:/dev/null", EIGHT, r"/dev/null: this is no serial device"),
        ("serial:/tmp", EIGHT, r"/tmp: this is a folder"),
        ("serial:socket://127.0.0.1:1", EIGHT, r"socket://127.0.0.1:1: .*refused"),
        ("serial:nonsense://x", EIGHT, r"nonsense://x: "),
        ("parity:rfc2217://x:1", NINE, r"expected a device of this computer"),
        ("pty:/no/such/folder/x", EIGHT, r"pty:/no/such/folder/x: no such file or directory, expected a path"),
        ("pty:/tmp", EIGHT, r"pty:/tmp: this exists already"),
        ("pty:/tmp/" + "x" * 300, EIGHT, r"x: file name too long, expected a path"),
        ("tcp:a..b:4000", EIGHT, r"tcp:a\.\.b:4000: no such host"),  # what IDNA (RFC 5890) has no form for
    ],
)
def test_refusals(where, word, told):
    assert re.search(told, refusal(where, word))


def test_nobody_listens():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    assert refusal(f"tcp:127.0.0.1:{port}") == f"tcp:127.0.0.1:{port}: connection refused; is the peer listening there?"


def test_a_system_without_a_pseudo_terminal_to_spare(monkeypatch):
    def none_left():
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "openpty", none_left)
    assert refusal("pty").startswith("pty: no space left on device, expected")


def test_a_device_that_is_pulled_again_while_it_is_opened(monkeypatch):
    """Told as one that is not there: whoever opens it anew tries again."""

    def pulled(wire, fd):
        raise termios.error(errno.EIO, "Input/output error")

    monkeypatch.setattr(SerialWire, "configure", pulled)
    ours, theirs = os.openpty()
    assert refusal(f"serial:{os.ttyname(theirs)}").endswith("this is no working serial device, expected one of: benchsim ports")
    os.close(ours)
    os.close(theirs)


def test_a_device_that_another_has_open_is_told_with_who():
    ours, theirs = os.openpty()
    with serial.Serial(os.ttyname(theirs), exclusive=True):
        told = refusal(f"serial:{os.ttyname(theirs)}")
    os.close(ours)
    os.close(theirs)
    assert re.search(rf": busy: \S.* \(process {os.getpid()}\) has it open; end that first$", told)


@pytest.mark.parametrize("error", [PermissionError(errno.EACCES, "Permission denied"),
                                   serial.SerialException(errno.EACCES, "could not open port")])  # fmt: skip
def test_permission(error, tmp_path):
    device = tmp_path / "device"
    device.touch()
    assert cure(error, str(device)) == (
        f"permission denied; usual cure: sudo usermod -aG {device.group()} $USER, then log in again"
    )
    assert "dialout" in cure(error, str(tmp_path / "gone"))


@pytest.mark.parametrize(
    ("error", "number"),
    [
        (OSError(5, "x"), 5),
        (termios.error(25, "x"), 25),
        (serial.SerialException("Could not configure port: (25, 'Inappropriate ioctl for device')"), 25),
        (serial.SerialException("Could not exclusively lock port x: [Errno 11] y"), 11),
        (ValueError("Invalid baud rate"), None),
    ],
)
def test_the_number_of_an_error(error, number):
    assert error_number(error) == number


def test_who_holds_reads_what_the_system_tells(tmp_path):
    device = tmp_path / "device"
    device.touch()
    for number, name, held in ((70, "terminal", device), (9, "other", tmp_path / "else")):
        process = tmp_path / "proc" / str(number)
        (process / "fd").mkdir(parents=True)
        (process / "comm").write_text(name + "\n")
        (process / "fd" / "3").symlink_to(held)
    (tmp_path / "proc" / "11").mkdir()  # nothing in it may be seen
    assert list(who_holds(str(device), tmp_path / "proc")) == ["terminal (process 70)"]


def test_the_stable_path_of_a_device(tmp_path):
    device, folder = tmp_path / "device", tmp_path / "by-id"
    device.touch()
    assert stable_path(str(device), folder) == str(device)
    device.with_name("file").touch()
    assert stable_path(str(device), device.with_name("file")) == str(device)
    folder.mkdir()
    (folder / "adapter").symlink_to(device)
    (folder / "another").symlink_to(tmp_path / "else")
    assert stable_path(str(device), folder) == str(folder / "adapter")


def test_a_link_left_by_a_bench_that_was_killed_is_replaced(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "gone")

    async def main(clock):
        line = Line("kit", EIGHT.ticks, clock, Trace(clock))
        port = open_port(f"pty:{tmp_path}/link", line, "host", True, EIGHT)
        assert os.readlink(tmp_path / "link").startswith("/dev/")
        port.close()

    run(main, virtual=False)
    assert not (tmp_path / "link").is_symlink()


def test_what_a_program_gets():
    assert (default_where(EIGHT), default_where(NINE)) == ("pty", "pair-pty")


def test_what_comes_back_from_a_loop():
    """`loop://` of pyserial gives back what was written."""
    heard = []

    async def main(clock):
        line = Line("kit", EIGHT.ticks, clock, Trace(clock))
        line.attach("board", False, heard.append)
        port = open_port("serial:loop://", line, "host", True, EIGHT)
        line.say("board", (1, 2, 255), clock.now())
        for _ in range(2000):
            await clock.sleep(0.005)
            if sum(len(b.words) for b in heard) == 3:
                break
        port.close()

    run(main, virtual=False)
    assert [word for b in heard for word in b.words] == [1, 2, 255]
