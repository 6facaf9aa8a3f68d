"""One order of telling: by start, whatever ends first; nothing is told twice, late or out of order."""

from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import Burst, Happening
from benchsim.lines import Trace
from benchsim.lines.trace import AGAIN


class Hands:
    """A clock moved by hand."""

    def __init__(self):
        self.tick, self.calls = 0, []

    def now(self):
        return self.tick

    def call_idle(self, when, call):
        self.calls.append((when, call))

    def moves_to(self, tick):
        """Make the calls that are due by then."""
        while due := [each for each in self.calls if each[0] <= tick]:
            first = min(due, key=lambda each: each[0])
            self.calls.remove(first)
            self.tick = max(self.tick, first[0])
            first[1]()
        self.tick = tick


class Told:
    """What a listener was told, as (start, what)."""

    def __init__(self):
        self.all = []

    def burst(self, burst: Burst):
        self.all.append((burst.start, burst.link))

    def happening(self, happening: Happening):
        self.all.append((happening.time, happening.kind))


def bench(hold=0):
    clock, told = Hands(), Told()
    trace = Trace(clock, hold)
    trace.listeners.append(told)
    return clock, trace, told


def burst(start, end, link):
    return Burst(start, end, link, True, "", (0,))


def test_a_short_burst_waits_for_the_longer_one_that_began_before():
    clock, trace, told = bench()
    long, short = trace.begin(100), trace.begin(200)
    clock.tick = 300
    trace.end(short, burst(200, 300, "short"))
    assert told.all == []
    clock.tick = 900
    trace.end(long, burst(100, 900, "long"))
    assert told.all == [(100, "long"), (200, "short")]


def test_what_happens_during_a_burst_is_told_after_it():
    clock, trace, told = bench()
    token = trace.begin(100)
    clock.tick = 150
    trace.happening("machine", "door", open=True)
    clock.tick = 400
    trace.end(token, burst(100, 400, "kit"))
    assert told.all == [(100, "kit"), (150, "door")]


def test_what_happens_before_a_burst_that_is_only_planned_is_told_at_once():
    _, trace, told = bench()
    trace.begin(500)
    trace.happening("machine", "door", open=True)
    assert told.all == [(0, "door")]


def test_at_one_tick_the_order_of_beginning_counts():
    clock, trace, told = bench()
    clock.tick = 100
    first = trace.begin(100)
    trace.happening("board", "coil", state="start")
    second = trace.begin(100)
    clock.tick = 200
    trace.end(second, burst(100, 200, "panel"))
    trace.end(first, burst(100, 200, "kit"))
    assert told.all == [(100, "kit"), (100, "coil"), (100, "panel")]


def test_a_burst_of_which_nothing_was_sent_holds_nothing_up():
    _, trace, told = bench()
    gone, other = trace.begin(100), trace.begin(200)
    trace.end(other, burst(200, 300, "kit"))
    trace.end(gone, None)
    assert told.all == [(200, "kit")]


def test_three_overlapping_links_in_a_chain():
    _, trace, told = bench()
    a, b, c = trace.begin(0), trace.begin(10), trace.begin(20)
    trace.end(b, burst(10, 30, "bus"))
    trace.end(a, burst(0, 40, "kit"))
    assert told.all == [(0, "kit"), (10, "bus")]
    trace.end(c, burst(20, 50, "panel"))
    assert told.all[2:] == [(20, "panel")]


def test_the_end_tells_what_is_held_and_then_no_more():
    _, trace, told = bench()
    trace.begin(50)
    done = trace.begin(100)
    trace.end(done, burst(100, 200, "kit"))
    trace.close()
    assert told.all == [(100, "kit")]
    trace.happening("machine", "door", open=True)
    assert told.all == [(100, "kit")]


def test_hold_waits_for_words_that_ports_tell_late():
    hold = 1_000_000
    clock, trace, told = bench(hold=hold)
    clock.moves_to(500)
    trace.happening("machine", "door", open=True)
    clock.moves_to(hold)
    trace.end(trace.begin(300), burst(300, 400, "kit"))  # a port tells now of what began at 300
    assert told.all == []
    clock.moves_to(hold + 500)
    assert told.all == [(300, "kit"), (500, "door")]
    trace.happening("machine", "service")
    told_at = clock.tick
    clock.moves_to(told_at + hold - 1)
    assert told.all[2:] == []
    clock.moves_to(told_at + hold)
    assert told.all[2:] == [(told_at, "service")]


def test_what_is_held_is_told_when_the_end_comes():
    clock, trace, told = bench(hold=1000)
    trace.happening("machine", "service")
    trace.close()
    assert told.all == [(0, "service")]
    clock.moves_to(10**6)
    assert len(told.all) == 1


def test_what_is_held_waits_for_what_began_before_it():
    clock, trace, told = bench(hold=1000)
    token = trace.begin(10)
    clock.moves_to(20)
    trace.happening("machine", "service")
    clock.moves_to(20 * AGAIN)
    assert told.all == []
    trace.end(token, burst(10, clock.tick, "kit"))
    clock.moves_to(22 * AGAIN)
    assert told.all == [(10, "kit"), (20, "service")]


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 60)), max_size=12))
def test_any_overlap_is_told_once_and_in_order(spans):
    clock, trace, told = bench()
    moments = sorted({t for start, length in spans for t in (start, start + length)})
    tokens = {}
    for now in moments:
        clock.tick = now
        for i, (start, length) in enumerate(spans):
            if start + length == now:
                trace.end(tokens.pop(i), burst(start, now, str(i)))
        for i, (start, _) in enumerate(spans):
            if start == now:
                tokens[i] = trace.begin(start)
    trace.close()
    expected = sorted((start, i) for i, (start, _) in enumerate(spans))
    assert told.all == [(start, str(i)) for start, i in expected]


def test_what_lands_after_the_end_is_not_told():
    clock, trace, told = bench()
    token = trace.begin(100)
    trace.close()
    clock.tick = 900
    trace.end(token, burst(100, 900, "late"))
    trace.happening("machine", "door", open=True)
    assert told.all == []
