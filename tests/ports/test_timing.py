"""When a port hands words over, and when it says that words came. Virtual time and a wire of the test's; times by hand.

A word of the bus is 11 bits at 9600 baud: 82,500 ticks.
"""

import pytest

from benchsim.clock import run
from benchsim.events import BREAK, Burst
from benchsim.lines import Line, Trace
from benchsim.ports import base
from benchsim.ports.base import Port
from benchsim.ports.pair_port import PairPort
from benchsim.ports.uart_port import UartPort

MS = 72_000  # ticks
BUS = 82_500
WORD = 1000  # of an invented eight-bit link


class FakeWire:
    """Notes what is written, and when."""

    path, uncertainty, note, adapter = "fake", 5, "", True

    def __init__(self, clock):
        self.clock, self.done, self.takes = clock, [], True

    def open(self, port):
        self.done.append((self.clock.now(), "open"))

    def write(self, data):
        self.done.append((self.clock.now(), data.hex(" ").upper()))
        return len(data) if self.takes else 0

    def drop_output(self):
        self.done.append((self.clock.now(), "drop"))

    def hold(self, active):
        self.done.append((self.clock.now(), "hold" if active else "release"))

    def pause(self, paused):
        self.done.append((self.clock.now(), "pause" if paused else "go on"))

    def close(self):
        self.done.append((self.clock.now(), "close"))


class Table:
    def __init__(self, clock, make, word):
        self.clock, self.trace = clock, Trace(clock)
        self.trace.listeners.append(self)
        self.told, self.happenings = [], []
        self.line = Line("bus", word, clock, self.trace)
        self.line.attach("ours", True, lambda burst: None)
        self.line.attach("third", True, lambda burst: None)
        self.wire = FakeWire(clock)
        self.port = make(self.line, "theirs", False, self.wire)
        self.wire.done.clear()

    def burst(self, burst):
        self.told.append(burst)

    def happening(self, happening):
        self.happenings.append((happening.time, happening.data["there"], happening.data["why"]))


def played(make, script, word=BUS):
    """The table after a second of bench time."""

    async def main(clock):
        table = Table(clock, make, word)
        script(table)
        await clock.sleep(1)
        return table

    return run(main)


def test_a_pair_is_written_when_its_word_ends():
    table = played(PairPort, lambda t: t.line.say("ours", (0x10B, 0x00B), 1000))
    assert table.wire.done == [(1000 + BUS, "90 0B"), (1000 + 2 * BUS, "80 0B")]


def test_a_gap_between_pairs_is_kept():
    table = played(PairPort, lambda t: t.line.say("ours", (0x10B, 0x00B), 0, gaps=(0, 70_000)))
    assert table.wire.done == [(BUS, "90 0B"), (2 * BUS + 70_000, "80 0B")]


def test_a_slow_talker_is_slow_in_pairs_too():
    table = played(PairPort, lambda t: t.line.say("ours", (0x10B, 0x00B), 0, word=90_000))
    assert table.wire.done == [(90_000, "90 0B"), (180_000, "80 0B")]


def test_a_break_in_pairs():
    table = played(PairPort, lambda t: t.line.hold("ours", 10, 7_200_000))
    assert table.wire.done == [(10, "C0"), (7_200_010, "C1")]


@pytest.mark.parametrize(
    ("cut_at", "written"),
    [(BUS - 1, []), (BUS, ["90 0B"]), (2 * BUS - 1, ["90 0B"]), (2 * BUS, ["90 0B", "80 0B"])],
)
def test_a_cut_leaves_whole_words(cut_at, written):
    def script(t):
        t.line.say("ours", (0x10B, 0x00B, 0x000), 0)
        t.clock.call_at(cut_at, t.line.cut, "ours")

    assert [what for _, what in played(PairPort, script).wire.done] == written


def test_a_break_that_is_cut_ends_there():
    def script(t):
        t.line.hold("ours", 0, 7_200_000)
        t.clock.call_at(500, t.line.cut, "ours")

    assert played(PairPort, script).wire.done == [(0, "C0"), (500, "C1")]


def test_words_that_collide_go_out_without_their_second_byte():
    def script(t):
        t.line.say("ours", (0x10B, 0x00B), 0)
        t.line.say("third", (0x1FF,), BUS + 100)

    assert [what for _, what in played(PairPort, script).wire.done] == ["90 0B", "80", "9F"]


def test_a_seat_that_is_cut_off_gets_nothing():
    def script(t):
        t.line.deaf.add("theirs")
        t.line.say("ours", (0x10B,), 0)
        t.line.hold("ours", 200_000, 500)

    assert not played(PairPort, script).wire.done


def came(data, at):
    return lambda t: t.clock.call_at(at, t.port.came, bytes.fromhex(data), at)


def test_a_pair_that_was_read_began_a_word_before():
    (word,) = played(PairPort, came("90 0B", 1_000_000)).told
    assert word == Burst(917_500, 1_000_000, "bus", False, "theirs", (0x10B,))


def test_pairs_that_came_a_word_apart_leave_no_gap():
    def script(t):
        came("80 05", 1_000_000)(t)
        came("80 02", 1_082_500)(t)
        came("91 09", 1_165_000)(t)

    told = played(PairPort, script).told
    assert [(b.start, b.end) for b in told] == [(917_500, 1_000_000), (1_000_000, 1_082_500), (1_082_500, 1_165_000)]


def test_pairs_of_one_lump_follow_at_a_tick():
    told = played(PairPort, came("80 05 80 02 90 07", 1_000_000)).told
    assert [(b.start, b.end, b.words) for b in told] == [
        (917_500, 1_000_000, (0x005,)),
        (1_000_000, 1_000_002, (0x002, 0x107)),
    ]


def test_an_answer_does_not_begin_before_what_it_answers_has_ended():
    def script(t):
        t.line.say("ours", (0x10B, 0x00B), 0)
        came("90 00", 2 * BUS + 30_000)(t)

    _, answer = played(PairPort, script).told
    assert (answer.start, answer.end) == (2 * BUS, 2 * BUS + 30_000)


def test_a_break_that_came_is_told_with_its_length_and_in_order():
    def script(t):
        came("C0", 1_000_000)(t)
        t.clock.call_at(2_000_000, t.line.say, "ours", (0x10B,), 2_000_000)
        came("C1", 9_000_000)(t)

    held, word = played(PairPort, script).told
    assert (held.start, held.end, held.words) == (1_000_000, 9_000_000, (BREAK,))
    assert word.words == (0x10B,)


@pytest.mark.parametrize(
    ("data", "breaks", "words", "dropped"),
    [
        ("C1 90 0B", 0, [0x10B], 1),  # an end without a begin
        ("C0 C0 C1 90 0B", 1, [0x10B], 1),  # two begins
        ("C0 90 0B 80 00", 1, [0x10B, 0x000], 0),  # the end was lost
    ],
)
def test_halves_of_breaks(data, breaks, words, dropped):
    table = played(PairPort, came(data, 1_000_000))
    assert [b.words for b in table.told if b.is_break] == [(BREAK,)] * breaks
    assert [w for b in table.told if not b.is_break for w in b.words] == words
    assert table.port.dropped == dropped


def test_a_wire_pulled_during_a_break_ends_it():
    def script(t):
        came("C0", 1_000_000)(t)
        t.clock.call_at(5_000_000, t.port.gone, "pulled")

    (held,) = [b for b in played(PairPort, script).told if b.is_break]
    assert (held.start, held.end) == (1_000_000, 5_000_000)


def test_eight_bits_without_a_rate_are_written_at_the_end_of_the_burst():
    table = played(Port, lambda t: t.line.say("ours", (1, 2, 3), 0), WORD)
    assert table.wire.done == [(3 * WORD, "01 02 03")]


def test_and_at_the_end_of_each_piece_where_it_has_gaps():
    table = played(Port, lambda t: t.line.say("ours", (1, 2, 3), 0, gaps=(0, 0, 5000)), WORD)
    assert table.wire.done == [(2 * WORD, "01 02"), (3 * WORD + 5000, "03")]


def test_a_cut_piece_leaves_its_whole_words():
    def script(t):
        t.line.say("ours", (1, 2, 3), 0)
        t.clock.call_at(2 * WORD + 1, t.line.cut, "ours")

    assert [what for _, what in played(Port, script, WORD).wire.done] == ["01 02"]


def test_an_adapter_gets_words_when_they_begin_and_the_last_when_it_ends():
    table = played(UartPort, lambda t: t.line.say("ours", (1, 2, 3), 700), WORD)
    assert table.wire.done == [(700, "01 02"), (3700, "03")]


def test_a_single_word_to_an_adapter():
    assert played(UartPort, lambda t: t.line.say("ours", (1,), 700), WORD).wire.done == [(1700, "01")]


def test_pieces_between_gaps_to_an_adapter():
    table = played(UartPort, lambda t: t.line.say("ours", (1, 2, 3, 4), 0, gaps=(0, 0, 5000, 0)), WORD)
    assert table.wire.done == [(0, "01"), (2 * WORD, "02"), (7000, "03"), (9000, "04")]


def test_what_an_adapter_has_not_sent_is_dropped_at_a_cut():
    def script(t):
        t.line.say("ours", (1, 2, 3), 700)
        t.clock.call_at(1900, t.line.cut, "ours")

    assert played(UartPort, script, WORD).wire.done == [(700, "01 02"), (1900, "drop")]


def test_an_adapter_holds_the_conductor_for_a_break():
    assert played(UartPort, lambda t: t.line.hold("ours", 50, 900), WORD).wire.done == [(50, "hold"), (950, "release")]


def test_bytes_from_an_adapter_lie_before_the_reading_at_the_rate_of_the_link():
    table = played(UartPort, came("01 02 03", 10_000), WORD)
    assert table.told == [Burst(7000, 10_000, "bus", False, "theirs", (1, 2, 3))]


def test_but_not_before_the_last_word_ended():
    def script(t):
        came("01 02 03", 10_000)(t)
        came("04 05", 11_000)(t)

    assert [(b.start, b.end) for b in played(UartPort, script, WORD).told] == [(7000, 10_000), (10_000, 11_000)]


def test_a_pull_is_told_once_and_tried_until_it_is_back():
    """Half a second between two tries: 36,000,000 ticks."""

    def script(t):
        t.clock.call_at(1000, t.port.gone, "pulled")
        t.clock.call_at(1500, t.port.gone, "pulled again")
        t.clock.call_at(2000, t.port.write, b"lost")

    table = played(PairPort, script)
    assert table.happenings == [(1000, False, "pulled"), (36_001_000, True, "is back")]
    assert table.port.lost == 4 and table.port.pulled == 1


def test_after_closing_nothing_is_said_or_heard():
    def script(t):
        t.line.say("ours", (0x10B, 0x00B), 0)
        t.clock.call_at(BUS + 1, t.port.close)
        came("90 00", 500_000)(t)

    table = played(PairPort, script)
    assert table.wire.done == [(BUS, "90 0B"), (BUS + 1, "close")]
    assert [b.sender for b in table.told] == ["ours"]


# ---- words that are passed on from the other end of a cable


@pytest.mark.parametrize(
    ("make", "word", "length", "written"),
    [
        (Port, WORD, 1, ["0A 0B"]),
        (PairPort, BUS, 1, ["80 0A 80 0B"]),
        (UartPort, WORD, WORD, ["0A 0B"]),  # a bit rate at the other end: they are over when they were said there
    ],
)
def test_what_is_passed_on_is_written_at_once(make, word, length, written):
    def script(table):
        now = table.clock.now()
        assert table.port.pass_on((0x0A, 0x0B), now) == (now, now + 2 * length)
        assert [data for _, data in table.wire.done] == written
        table.port.gone("pulled")
        assert table.port.pass_on((0x0A,), now) is None

    played(make, script, word)


# ---- how long this computer let a program wait


def stalls_of(waits, spoken_to, answers):
    """[(told at ms, length in ms)] of one that is spoken to and answers at these ms; `waits`: ticks that it has waited in
    all, each time it is asked."""

    def script(table):
        waited = iter(waits)
        table.port.waited = lambda: next(waited)
        table.line.late = lambda length, who: late.append((table.clock.now() / MS, length / MS, who))
        for ms in spoken_to:
            table.clock.call_at(ms * MS, table.port.write, b"\x01")
        for ms in answers:
            came("01", ms * MS)(table)

    late = []
    seat = played(Port, script, WORD).port.seat
    assert {who for _, _, who in late} <= {seat}
    return [(at, length) for at, length, _ in late]


def test_what_was_waited_before_it_first_spoke_is_no_stall():
    """The system counts from its own start; a stall is what was added since, and no longer than that was."""
    waits = 10**12, 10**12 + 100, 10**12 + 100 + 5 * MS, 10**13
    assert stalls_of(waits, (), (1, 2, 12, 15)) == [(12, 5), (15, 3)]


def test_a_wait_is_not_forgotten_because_it_was_spoken_to_once_more():
    """It was spoken to at 10 ms, again at 60 and 70 ms, and answers at 72: all in all it had waited for 50 ms of 62."""
    assert stalls_of((1000 * MS, 1050 * MS), (10, 60, 70), (72,)) == [(72, 50)]


def test_waits_of_one_that_stays_silent_are_told_now_and_then(monkeypatch):
    monkeypatch.setattr(base, "SILENT", 20 * MS)
    assert stalls_of((0, 15 * MS, 18 * MS), (0, 10, 21), (25,)) == [(21, 15), (25, 3)]
