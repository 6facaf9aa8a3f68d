"""Who follows a line is told of a burst before its first word. Times by hand."""

import pytest

from benchsim.clock import run
from benchsim.events import BREAK, FRAMING, Burst
from benchsim.lines import Line, Trace

WORD = 1000  # ticks, invented


class Followed:
    """A line with two boards that talk, a host that hears, and a follower of the boards' conductor."""

    def __init__(self, clock):
        self.clock, self.heard, self.told = clock, [], []
        self.line = Line("kit", WORD, clock, Trace(clock))
        self.line.attach("host", True, self.heard.append)
        for seat in ("board", "other"):
            self.line.attach(seat, False, lambda burst: None)
        self.line.follow(False, self)

    def took_off(self, flight):
        self.told.append((self.clock.now(), "off", flight))

    def was_cut(self, flight):
        self.told.append((self.clock.now(), "cut", flight))


def played(script):
    async def main(clock):
        followed = Followed(clock)
        script(followed)
        await clock.sleep(1)
        return followed

    return run(main)


def test_a_burst_is_told_of_when_it_is_said_though_it_begins_later():
    played_ = played(lambda f: f.line.say("board", (1, 2), 700))
    (now, what, flight), *rest = played_.told
    assert (now, what, rest) == (0, "off", [])
    assert flight.arriving == Burst(700, 2700, "kit", False, "board", (1, 2)) == played_.heard[0]


def test_the_other_conductor_is_not_followed():
    assert not played(lambda f: f.line.say("host", (1, 2), 0)).told


def test_who_follows_no_more_is_told_no_more():
    def script(f):
        f.line.unfollow(False, f)
        f.line.say("board", (1,), 0)

    assert not played(script).told


def test_a_cut_is_told_at_once():
    def script(f):
        f.line.say("board", (1, 2, 3), 0)
        f.clock.call_at(2500, f.line.cut, "board")

    played_ = played(script)
    assert [(now, what) for now, what, _ in played_.told] == [(0, "off"), (2500, "cut")]
    assert [b.words for b in played_.heard] == [(1, 2)]


@pytest.mark.parametrize("at", [0, 5000])
def test_a_break_cut_before_it_began_is_no_break(at):
    def script(f):
        f.line.hold("board", at, 9000)
        f.clock.call_at(3000, f.line.cut, "board")

    assert [(b.start, b.end, b.words) for b in played(script).heard] == ([(0, 3000, (BREAK,))] if at == 0 else [])


def test_hurts_are_done_once_and_told_to_the_follower():
    hurt = []

    def script(f):
        f.line.hurts.append(lambda b: hurt.append(b) or b._replace(words=(7, *b.words[1:])))
        f.line.say("board", (1, 2), 0)

    played_ = played(script)
    assert len(hurt) == 1
    assert played_.told[0][2].arriving.words == (7, 2) == played_.heard[0].words


def test_a_burst_that_a_hurt_swallows_arrives_nowhere():
    def script(f):
        f.line.hurts.append(lambda b: None)
        f.line.say("board", (1, 2), 0)

    played_ = played(script)
    assert played_.told[0][2].arriving is None and not played_.heard


def test_another_talker_disturbs_words_that_overlap_and_no_others():
    def script(f):
        f.line.say("board", (1, 2, 3), 0)
        f.line.say("other", (9,), 1500)

    played_ = played(script)
    flight = played_.told[0][2]
    assert [flight.disturbed(at, at + WORD) for at in (0, 1000, 2000)] == [False, True, True]
    assert played_.heard[0].words == (9 | FRAMING,)
    assert played_.heard[1].words == (1, 2 | FRAMING, 3 | FRAMING)
