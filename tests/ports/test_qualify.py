"""What probes show of a port whose other end gives back everything after a known time. Virtual time; figures by hand."""

import random

import pytest

from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.ports import qualify as module
from benchsim.ports.base import Port
from benchsim.ports.pair_port import PairPort
from benchsim.ports.qualify import BLOCKS, SINGLES, Prober
from benchsim.schema.word import WordFormat

EIGHT, NINE = WordFormat(115_200, 8, 1), WordFormat(9600, 9, 1)
MS = 72_000


class Mirror:
    """Gives back what is written, `delays` ticks later in turn; `holds` so many writings until it does."""

    path, uncertainty, note, adapter = "mirror", 5, "", True

    def __init__(self, clock, delays, holds=1):
        self.clock, self.delays, self.holds = clock, delays, holds
        self.turn, self.held = 0, b""
        self.silent = False

    def open(self, port):
        self.port = port

    def write(self, data):
        self.held += data
        if self.silent or len(self.held) < self.holds * len(data):
            return len(data)
        at = self.clock.now() + self.delays[self.turn % len(self.delays)]
        self.turn += 1
        self.clock.call_at(at, self.port.came, self.held, at)
        self.held = b""
        return len(data)

    def close(self):
        pass


@pytest.fixture
def probed(monkeypatch):
    """What is found of a port on a mirror."""

    def probe(kind, word, delays, holds=1, silent=False, waited=lambda: 0):
        async def main(clock):
            mirror = Mirror(clock, delays, holds)
            mirror.silent = silent
            monkeypatch.setattr(module, "open_port", lambda where, line, seat, out, word: kind(line, seat, out, mirror))
            return await Prober(clock, "bus", "mirror", word, random.Random(1), waited).run()

        return run(main)

    return probe


def test_a_steady_delay_of_pairs(probed):
    found = probed(PairPort, NINE, [3 * MS])
    assert len(found.quiet) == SINGLES + BLOCKS and set(found.quiet) == {3 * MS}
    assert (found.uncertainty, found.jitter, found.most, found.chunks, found.lost) == (3 * MS, 0, 1, False, 0)
    assert set(found.gaps) == {0}


def test_the_doubt_is_the_worst_delay_up_to_a_tenth_of_a_millisecond(probed):
    found = probed(Port, EIGHT, [MS, MS, MS + 1, 2 * MS + 1])
    # a single word is told a tick long, so that it ends a tick after its reading; a block 16 ticks
    assert found.uncertainty == 2 * MS + MS // 10
    assert found.jitter >= MS


def test_words_that_come_several_at_once_are_chunks(probed):
    assert probed(Port, EIGHT, [MS]).chunks  # a block of eight-bit words goes out in one piece
    assert probed(Port, EIGHT, [MS]).most == 16


def test_words_that_come_less_regular_than_half_a_gap_are_chunks(probed):
    found = probed(PairPort, NINE, [MS, MS + MS // 2])
    assert found.most == 1 and found.chunks and max(found.gaps) == MS // 2
    assert not probed(PairPort, NINE, [MS, MS + MS // 4]).chunks


def test_nothing_comes_back(probed):
    with pytest.raises(UsageError, match="^bus: nothing came back; join the adapter's out to its in"):
        probed(PairPort, NINE, [MS], silent=True)


def test_probes_across_a_stall_are_set_aside_if_enough_are_left(probed):
    now = [0]

    def sometimes():
        """Every fourth asking tells of 3 ms more that something had to wait."""
        now[0] += 1
        return now[0] // 4 * 3 * MS

    found = probed(PairPort, NINE, [MS], waited=sometimes)
    assert len(found.stalled) > 20 and len(found.quiet) > 20
    assert not found.busy and found.delays == found.quiet


def test_a_computer_that_is_always_busy_is_part_of_the_measurement(probed):
    now = [0]

    def always():
        now[0] += 3 * MS
        return now[0]

    found = probed(PairPort, NINE, [MS], waited=always)
    assert found.busy and len(found.delays) == SINGLES + BLOCKS and found.uncertainty == MS
