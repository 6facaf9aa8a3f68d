"""Streams on a line: words at the link's rate, heard when they are over. Frames by hand from the kit link reference."""

import asyncio

import pytest

from benchsim.clock import VirtualLoop
from benchsim.events import BREAK, Burst, ticks
from benchsim.lines import Line, Trace
from benchsim.testing.streams import connect

BYTE = 6_250  # ticks of a byte at 115,200 baud: 10 bits of 625
WORD = 82_500  # ticks of a word of the bus at 9600 baud: 11 bits of 7,500


class Heard(list):
    """A listener that keeps bursts."""

    def burst(self, burst: Burst) -> None:
        self.append(burst)

    def happening(self, happening) -> None:
        pass


class Stand:
    """A line with the streams on one side and a mute party on the other."""

    def __init__(self, word: int, bits: int, out: bool = True):
        self.runner = asyncio.Runner(loop_factory=VirtualLoop)
        loop = self.runner.get_loop()
        self.clock, self.heard, self.ear = loop.clock, Heard(), []
        trace = Trace(self.clock)
        trace.listeners.append(self.heard)
        self.line = Line("link", word, self.clock, trace)
        self.line.attach("other", not out, self.ear.append)
        self.reader, self.writer = connect(self.line, "mine", out, bits, loop)

    def run(self, body) -> object:
        return self.runner.run(body)


@pytest.fixture
def stand():
    made = []

    def make(*about, **more) -> Stand:
        made.append(Stand(*about, **more))
        return made[-1]

    yield make
    for one in made:
        one.writer.close()
        one.runner.close()


def test_bytes_go_out_at_the_rate_of_the_link_each_piece_after_the_one_before(stand):
    kit = stand(BYTE, 8)

    async def body():
        await kit.clock.sleep_until(1000)
        kit.writer.write(b"\x7e\x01")
        kit.writer.write(b"\x00")
        await kit.writer.drain()
        assert kit.clock.now() == 1000  # a serial port has a buffer
        await kit.clock.sleep(1)
        kit.writer.write(b"\x9f")
        await kit.clock.sleep(1)

    kit.run(body())
    later = 1000 + ticks(1)
    assert [(b.start, b.end, b.words, b.sender, b.out) for b in kit.heard] == [
        (1000, 1000 + 2 * BYTE, (0x7E, 0x01), "mine", True),
        (1000 + 2 * BYTE, 1000 + 3 * BYTE, (0x00,), "mine", True),
        (later, later + BYTE, (0x9F,), "mine", True),
    ]
    assert kit.ear == kit.heard


def test_what_the_other_side_says_is_there_when_it_is_over(stand):
    kit = stand(BYTE, 8)

    async def body():
        kit.line.say("other", (0x7E, 0x81), 500, (0, 3 * BYTE))
        first = await kit.reader.read(100), kit.clock.now()
        return first, (await kit.reader.read(100), kit.clock.now())

    assert kit.run(body()) == ((b"\x7e", 500 + BYTE), (b"\x81", 500 + 5 * BYTE))


def test_nine_bits_are_two_bytes_a_word_and_breaks_are_held(stand):
    """Forms by hand: "100m hhhh", "0000 llll"; C0 begins a break, C1 ends it."""
    bus = stand(WORD, 9)

    async def body():
        bus.writer.write(bytes((0x90, 0x0B, 0x80)))  # 10B, and half of 00B
        bus.writer.write(bytes((0x0B,)))
        await bus.clock.sleep(1)
        bus.writer.write(b"\xc0")
        await bus.clock.sleep(0.15)
        bus.writer.write(b"\xc1")
        bus.line.say("other", (0x100,), bus.clock.now() + 10)
        bus.line.hold("other", bus.clock.now() + 2 * WORD, ticks(0.1))
        await bus.clock.sleep(0.01)
        answer = await bus.reader.readexactly(2)
        await bus.clock.sleep(1)
        return answer, await bus.reader.read(10)

    assert bus.run(body()) == (bytes((0x90, 0x00)), b"\xc0\xc1")
    mine = [b for b in bus.heard if b.sender == "mine"]
    assert [(b.start, b.words) for b in mine] == [(0, (0x10B,)), (WORD, (0x00B,)), (ticks(1), (BREAK,))]
    assert mine[-1].end - mine[-1].start == ticks(0.15)


def test_a_cable_that_is_out_carries_nothing(stand):
    kit = stand(BYTE, 8)

    async def body():
        kit.line.deaf.add("mine")
        kit.line.say("other", (1, 2), 0)
        await kit.clock.sleep(1)
        kit.line.deaf.remove("mine")
        kit.line.say("other", (3,), kit.clock.now())
        return await kit.reader.read(10)

    assert kit.run(body()) == b"\x03"


def test_a_seat_that_never_reads_costs_no_memory(stand):
    kit = stand(BYTE, 8)

    async def body():
        for _ in range(100):
            kit.line.say("other", (0x55,) * 10_000, kit.clock.now())
            await kit.clock.sleep(1)
        return len(await kit.reader.read(10_000_000))

    assert kit.run(body()) < 200_000


def test_after_the_close_the_reader_finds_the_end_and_nothing_is_said(stand):
    kit = stand(BYTE, 8)

    async def body():
        kit.writer.close()
        await kit.writer.wait_closed()
        kit.writer.write(b"x")
        await kit.clock.sleep(1)
        return await kit.reader.read(10), kit.writer.is_closing()

    assert kit.run(body()) == (b"", True)
    assert not kit.heard
