"""A link's two conductors: who hears what when, cut, collision, deaf ears, hurts. Times by hand."""

from benchsim.clock import run
from benchsim.events import BREAK, FRAMING, Burst
from benchsim.lines import Line, Trace

WORD = 1000  # ticks, invented


class Wire:
    """A line with a host, a board and a second board, and all that each of them heard."""

    def __init__(self, clock):
        self.clock, self.trace = clock, Trace(clock)
        self.trace.listeners.append(self)
        self.line = Line("kit", WORD, clock, self.trace)
        self.heard = {"host": [], "board": [], "other": []}
        for seat, out in (("host", True), ("board", False), ("other", False)):
            self.line.attach(seat, out, lambda burst, seat=seat: self.heard[seat].append((clock.now(), burst)))
        self.told = []

    def burst(self, burst):
        self.told.append(burst)

    def happening(self, happening):
        raise AssertionError("nothing happens here")


def played(script, seconds=1.0):
    """Run `script(wire)` and let time pass; the wire with what was heard."""

    async def main(clock):
        wire = Wire(clock)
        script(wire)
        await clock.sleep(seconds)
        return wire

    return run(main)


def bursts(heard):
    return [burst for _, burst in heard]


def test_a_burst_is_heard_at_its_end_by_the_other_side_only():
    wire = played(lambda w: w.line.say("host", (1, 2, 3), 500, gaps=(0, 70, 0)))
    expected = Burst(500, 500 + 3 * WORD + 70, "kit", True, "host", (1, 2, 3), (0, 70, 0))
    assert wire.heard == {"host": [], "board": [(3570, expected)], "other": [(3570, expected)]}
    assert wire.told == [expected]


def test_what_one_board_says_the_other_does_not_hear():
    wire = played(lambda w: w.line.say("board", (9,), 0))
    assert [len(wire.heard[s]) for s in ("host", "board", "other")] == [1, 0, 0]


def test_a_slow_sender_makes_longer_words():
    wire = played(lambda w: w.line.say("host", (1, 2), 0, word=1100))
    assert wire.told == [Burst(0, 2200, "kit", True, "host", (1, 2))]
    assert wire.told[0].word_starts() == [0, 1100]


def test_seating_a_party_again_puts_the_new_ear_in_place_of_the_old():
    new = []

    def script(wire):
        wire.line.attach("board", False, new.append)
        wire.line.say("host", (1,), 0)

    wire = played(script)
    assert (len(new), wire.heard["board"], len(wire.heard["other"])) == (1, [], 1)


def test_a_hold_is_heard_as_a_break_of_its_length():
    wire = played(lambda w: w.line.hold("host", 100, 7_200_000))
    (burst,) = bursts(wire.heard["board"])
    assert (burst.words, burst.start, burst.end, burst.is_break) == ((BREAK,), 100, 7_200_100, True)


def cut_at(tick, words=(1, 2, 3, 4), gaps=()):
    def script(wire):
        wire.line.say("host", words, 1000, gaps)
        wire.line.say("board", (7,) * 10, 1000)
        wire.clock.call_at(tick, wire.line.cut, "host")

    return played(script)


def test_a_cut_leaves_the_whole_words_and_the_other_side_alone():
    wire = cut_at(3500)
    assert bursts(wire.heard["board"]) == [Burst(1000, 3000, "kit", True, "host", (1, 2))]
    assert wire.heard["board"][0][0] == 3500
    assert [len(b.words) for b in bursts(wire.heard["host"])] == [10]


def test_a_cut_at_the_last_tick_of_a_word_keeps_it():
    assert bursts(cut_at(3000).heard["board"])[0].words == (1, 2)
    assert bursts(cut_at(2999).heard["board"])[0].words == (1,)


def test_a_cut_keeps_the_gaps_of_what_was_sent():
    (burst,) = bursts(cut_at(3600, gaps=(0, 500, 0, 0)).heard["board"])
    assert (burst.words, burst.gaps, burst.end) == ((1, 2), (0, 500), 3500)


def test_a_cut_before_the_first_whole_word_leaves_nothing():
    wire = cut_at(1500)
    assert wire.heard["board"] == []
    assert [b.sender for b in wire.told] == ["board"]


def test_a_break_ends_with_the_cut():
    def script(wire):
        wire.line.hold("host", 1000, 50_000)
        wire.clock.call_at(20_000, wire.line.cut, "host")

    assert [(b.start, b.end) for b in played(script).told] == [(1000, 20_000)]


def test_two_talkers_on_one_conductor_spoil_the_words_that_overlap():
    def script(wire):
        wire.line.say("board", (1, 2, 3), 0)
        wire.line.say("other", (4, 5), 2500)

    wire = played(script)
    first, second = bursts(wire.heard["host"])
    assert first.words == (1, 2, 3 | FRAMING)
    assert second.words == (4 | FRAMING, 5)  # the first word of the later one overlaps, its second does not
    assert wire.told == [first, second]


def test_a_talker_that_was_cut_disturbs_only_until_then():
    def script(wire):
        wire.line.say("board", (1, 2, 3), 0)
        wire.line.say("other", (4, 5), 500)
        wire.clock.call_at(1200, wire.line.cut, "board")

    cut, other = bursts(played(script).heard["host"])
    assert cut.words == (1 | FRAMING,)
    assert other.words == (4 | FRAMING, 5)  # 4 is sent from 500 to 1500, 5 after that


def test_talkers_that_only_touch_do_not_collide():
    def script(wire):
        wire.line.say("board", (1, 2), 0)
        wire.line.say("other", (3,), 2000)

    assert [b.words for b in bursts(played(script).heard["host"])] == [(1, 2), (3,)]


def test_both_directions_at_once_do_not_collide():
    def script(wire):
        wire.line.say("host", (1, 2), 0)
        wire.line.say("board", (3, 4), 500)

    wire = played(script)
    assert [b.words for b in wire.told] == [(1, 2), (3, 4)]


def test_a_deaf_seat_hears_nothing_but_all_is_told():
    def script(wire):
        wire.line.deaf.add("board")
        wire.line.say("host", (1,), 0)

    wire = played(script)
    assert (wire.heard["board"], len(wire.heard["other"]), len(wire.told)) == ([], 1, 1)


def test_hurts_change_what_arrives_one_after_another():
    def script(wire):
        wire.line.hurts.append(lambda b: b._replace(words=tuple(w + 1 for w in b.words)))
        wire.line.hurts.append(lambda b: None if b.words == (5,) else b)
        wire.line.say("host", (3,), 0)
        wire.line.say("host", (4,), 5000)

    wire = played(script)
    assert [b.words for b in bursts(wire.heard["board"])] == [(4,)]
    assert [b.words for b in wire.told] == [(4,)]


def test_busy_and_under_way():
    seen = []

    def script(wire):
        line = wire.line
        line.say("host", (1, 2), 1000)
        for tick in (0, 1000, 2999, 3001):
            wire.clock.call_at(tick, lambda: seen.append((line.busy("host"), line.busy("board"), line.under_way(True))))

    played(script)
    assert seen == [(True, False, None), (True, False, 3000), (True, False, 3000), (False, False, None)]


def test_words_of_a_port_are_heard_at_once_and_told():
    burst = Burst(0, WORD, "kit", True, "host", (5,))
    wire = played(lambda w: w.line.arrived(burst))
    assert (wire.heard["board"], wire.told) == ([(0, burst)], [burst])
