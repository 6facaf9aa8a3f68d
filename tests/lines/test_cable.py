"""A cut cable with ports at both ends: what passes, what is told at which end, what a hurt does on the way."""

from benchsim.clock import run
from benchsim.events import BREAK, FRAMING, Burst, ticks
from benchsim.lines import Trace
from benchsim.lines.cable import Cable

WORD = 6250


class Ear:
    """A port as far as a cable knows it: it hears one conductor and says so."""

    def __init__(self, end, seat, out, there=True):
        self.end, self.seat, self.out, self.there, self.got, self.held = end, seat, out, there, [], []
        end.attach(seat, out, lambda burst: None)
        end.follow(not out, self)

    def pass_on(self, words, now):
        if not self.there:
            return None
        self.got.append((now, words))
        return now, now + len(words)

    def hold(self, active):
        self.held.append((self.end.clock.now(), active))

    def says(self, words):
        now = self.end.clock.now()
        self.end.arrived(Burst(now, now + len(words), "kit", self.out, self.seat, tuple(words)))


class Told:
    def __init__(self, trace):
        self.bursts, self.happenings = [], []
        trace.listeners.append(self)

    def burst(self, burst):
        self.bursts.append((burst.sender, burst.start, burst.words))

    def happening(self, happening):
        self.happenings.append(happening)


def at_a_cable(script):
    async def main(clock):
        traces = Trace(clock), Trace(clock)
        cable = Cable("kit", WORD, clock, *traces)
        told = [Told(trace) for trace in traces]
        host, board = Ear(cable.ends[True], "host", True), Ear(cable.ends[False], "board", False)
        await script(cable, host, board, *told)

    run(main)


def test_words_pass_at_once_and_are_told_at_both_ends():
    async def script(cable, host, board, at_host, at_board):
        await cable.clock.sleep(1)
        host.says([1, 2, 3])
        board.says([9])
        assert board.got == [(ticks(1), (1, 2, 3))] and host.got == [(ticks(1), (9,))]
        expected = [("host", ticks(1), (1, 2, 3)), ("board", ticks(1), (9,))]
        assert at_host.bursts == expected and at_board.bursts == expected
        assert cable.passed[True].lumps == cable.passed[False].lumps == 1

    at_a_cable(script)


def test_what_is_lost_or_changed_on_the_way_was_still_said():
    async def script(cable, host, board, at_host, at_board):
        cable.hurts.append(lambda burst: None if burst.words == (1,) else burst._replace(words=(7,)) if burst.out else burst)
        host.says([1])
        host.says([2])
        board.says([3])
        assert [words for _, _, words in at_host.bursts] == [(1,), (2,), (3,)]
        assert [words for _, _, words in at_board.bursts] == [(7,), (3,)]
        assert [words for _, words in board.got] == [(7,)]
        passed = cable.passed[True]
        assert (passed.lumps, passed.lost, passed.changed, passed.later) == (2, 1, 1, 0)

    at_a_cable(script)


def test_what_kept_the_one_waiting_is_told_to_the_judge_of_the_other_too():
    async def script(cable, host, board, at_host, at_board):
        await cable.clock.sleep(1)
        board.end.late(ticks(0.0025), who="board")
        for told in (at_host, at_board):
            assert [(one.kind, one.data) for one in told.happenings] == [("late", {"us": 2500, "who": "board"})]

    at_a_cable(script)


def test_what_is_delayed_is_not_overtaken():
    async def script(cable, host, board, at_host, at_board):
        later = ticks(0.02)
        slow = lambda burst: burst._replace(start=burst.start + later, end=burst.end + later)  # noqa: E731
        cable.hurts.append(slow)
        host.says([1])
        cable.hurts.remove(slow)
        host.says([2])
        assert not board.got
        await cable.clock.sleep(0.03)
        assert board.got == [(later, (1,)), (later, (2,))]
        assert [start for _, start, _ in at_host.bursts] == [0, 0]
        assert [start for _, start, _ in at_board.bursts] == [later, later]
        host.says([3])
        assert board.got[-1][1] == (3,)

    at_a_cable(script)


def test_a_break_passes_when_it_begins():
    async def script(cable, host, board, at_host, at_board):
        end = cable.ends[True]
        end.broke(True, True, 0)
        assert board.held == [(0, True)]
        await cable.clock.sleep(0.1)
        end.broke(True, False, ticks(0.1))
        end.arrived(Burst(0, ticks(0.1), "kit", True, "host", (BREAK,)))
        assert board.held == [(0, True), (ticks(0.1), False)]
        assert at_board.bursts == [("", 0, (BREAK,))] and at_host.bursts == [("host", 0, (BREAK,))]
        assert not board.got

    at_a_cable(script)


def test_what_happens_during_a_break_is_told_after_it_at_the_far_end_too():
    """A listener writes a capture: it wants everything in order of its start."""
    async def script(cable, host, board, at_host, at_board):
        order = []
        at_board.burst = lambda burst: order.append(burst.start)
        at_board.happening = lambda happening: order.append(happening.time)
        cable.ends[True].broke(True, True, 0)
        await cable.clock.sleep(0.07)
        board.end.late(ticks(0.0025), who="board")
        await cable.clock.sleep(0.03)
        cable.ends[True].broke(True, False, ticks(0.1))
        assert order == [0, ticks(0.07)]

    at_a_cable(script)


def test_a_break_may_be_lost_too():
    async def script(cable, host, board, at_host, at_board):
        cable.hurts.append(lambda burst: None)
        cable.ends[True].broke(True, True, 0)
        cable.ends[True].broke(True, False, 10)
        assert not board.held and not at_board.bursts

    at_a_cable(script)


def test_who_is_deaf_or_away_gets_nothing():
    async def script(cable, host, board, at_host, at_board):
        cable.deaf.add("board")
        host.says([1])
        cable.deaf.clear()
        board.there = False
        host.says([2 | FRAMING])
        assert not board.got and not at_board.bursts and len(at_host.bursts) == 2

    at_a_cable(script)
