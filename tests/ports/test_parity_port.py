"""The port that switches parity: settings by the Linux manual (termios(3)), a device that has none, words by hand.

Real adapters are not tried here: a pseudo-terminal keeps no parity.
"""

import os

import pytest

from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.events import BREAK
from benchsim.lines import Line, Trace
from benchsim.ports import open_port
from benchsim.ports.parity import Step
from benchsim.ports.parity_port import ParityPort, with_parity
from benchsim.schema.word import WordFormat

NINE = WordFormat(9600, 9, 1)
# asm-generic/termbits-common.h and termbits.h of Linux
PARENB, PARODD, CMSPAR = 0o400, 0o1000, 0o10000000000
IGNBRK, BRKINT, IGNPAR, PARMRK, INPCK, ISTRIP = 0o1, 0o2, 0o4, 0o10, 0o20, 0o40


@pytest.mark.parametrize("before", [0, 0xFFFFFFFF])
@pytest.mark.parametrize(("mark", "odd"), [(True, PARODD), (False, 0)])
def test_settings(before, mark, odd):
    iflag, oflag, cflag, *rest = with_parity([before, 7, before, 8, 9, 10, [b"x"]], mark)
    assert cflag & (PARENB | CMSPAR | PARODD) == PARENB | CMSPAR | odd
    assert iflag & (INPCK | PARMRK | IGNPAR | IGNBRK | BRKINT | ISTRIP) == INPCK | PARMRK
    assert (oflag, rest) == (7, [8, 9, 10, [b"x"]])


def test_a_device_without_parity_is_told_in_one_line():
    ours, theirs = os.openpty()
    before = len(os.listdir("/proc/self/fd"))

    async def main(clock):
        line = Line("bus", NINE.ticks, clock, Trace(clock))
        with pytest.raises(UsageError, match=r"^parity:/dev/pts/\d+: .* no mark and space parity; use .* pair:DEVICE$"):
            open_port(f"parity:{os.ttyname(theirs)}", line, "board", True, NINE)

    run(main, virtual=False)
    assert len(os.listdir("/proc/self/fd")) == before
    os.close(ours)
    os.close(theirs)


class FakeWire:
    path, uncertainty, note, adapter, mark = "fake", 5, "", True, False

    def __init__(self):
        self.sent = []

    def open(self, port):
        pass

    def send(self, steps):
        self.sent.append(steps)

    def close(self):
        pass


def played(script, out):
    """What was told of the line, and what was sent."""
    told, wire = [], FakeWire()

    class Listener:
        burst = staticmethod(told.append)

    async def main(clock):
        trace = Trace(clock)
        trace.listeners.append(Listener)
        line = Line("bus", NINE.ticks, clock, trace)
        line.attach("ours", not out, lambda burst: None)
        script(clock, line, ParityPort(line, "theirs", out, wire))
        await clock.sleep(1)

    run(main)
    return [(b.start, b.end, b.words) for b in told], wire.sent


def came(data, at):
    return lambda clock, line, port: clock.call_at(at, port.came, bytes.fromhex(data), at)


def test_words_of_the_master():
    told, _ = played(came("FF 00 0B 0B", 1_000_000), out=True)
    assert told == [(835_000, 1_000_000, (0x10B, 0x00B))]


def test_words_of_a_device_and_its_ack():
    told, _ = played(came("05 02 FF 00 07 FF 00 00", 1_000_000), out=False)
    assert told == [(670_000, 1_000_000, (0x005, 0x002, 0x107, 0x100))]


def test_a_break_of_the_master_is_told_with_the_least_length():
    told, _ = played(came("FF 00 00", 1_000_000), out=True)
    assert told == [(1_000_000, 8_200_000, (BREAK,))]


def test_words_end_a_break_early():
    def script(clock, line, port):
        came("FF 00 00", 1_000_000)(clock, line, port)
        came("FF 00 0B", 1_100_000)(clock, line, port)

    told, _ = played(script, out=True)
    assert told == [(1_000_000, 1_100_000, (BREAK,)), (1_100_000, 1_100_001, (0x10B,))]


def test_a_block_is_handed_over_with_its_changes_of_parity():
    _, sent = played(lambda clock, line, port: line.say("ours", (0x10B, 0x00B), 0), out=False)
    assert sent == [[Step(0, True, b"\x0b"), Step(89_700, False, b"\x0b")]]
