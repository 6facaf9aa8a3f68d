"""The contract of `Clock.call_at` and the sleeps, on both clocks. Real time is held to order only."""

import asyncio

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.clock import RealClock, run
from benchsim.clock.clocks import PATIENCE, ROOM
from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, TICKS_PER_US, ticks

timeless = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # no wall clock judges
YEAR_S = 365 * 86_400
both = pytest.mark.parametrize("virtual", [True, False], ids=["virtual", "real"])


@both
def test_calls_run_by_deadline_and_ties_as_scheduled(virtual):
    async def main(clock):
        base, seen = clock.now() + 50 * TICKS_PER_MS, []
        for name, wait in ("d", 9), ("a", 0), ("b", 0), ("c", 8), ("e", 9):
            clock.call_at(base + wait, seen.append, name)
        await clock.sleep_until(base + 10)
        return seen

    assert run(main, virtual) == ["a", "b", "c", "d", "e"]


@both
def test_a_past_deadline_waits_for_what_is_already_due(virtual):
    async def main(clock):
        seen = []

        def first():
            seen.append("first")
            clock.call_at(0, seen.append, "past")
            clock.call_at(clock.now(), seen.append, "now")

        when = clock.now() + TICKS_PER_MS
        clock.call_at(when, first)
        clock.call_at(when, seen.append, "second")
        await clock.sleep_until(when + 5 * TICKS_PER_MS)
        return seen

    assert run(main, virtual) == ["first", "second", "past", "now"]


@both
def test_a_past_deadline_does_not_overtake_one_just_due(virtual):
    async def main(clock):
        seen = []
        clock.call_at(clock.now(), seen.append, "now")
        clock.call_at(-1, seen.append, "past")
        await clock.sleep(0.001)
        return seen

    assert run(main, virtual) == ["now", "past"]


@both
def test_a_past_deadline_is_never_made_inside_the_call_that_asks(virtual):
    async def main(clock):
        seen = []
        clock.call_at(0, seen.append, "called")
        seen.append("asked")
        await clock.sleep(0.001)
        return seen

    assert run(main, virtual) == ["asked", "called"]


@both
def test_cancelled_calls_are_not_made(virtual):
    async def main(clock):
        seen, when = [], clock.now() + TICKS_PER_MS
        calls = [clock.call_at(when, seen.append, n) for n in range(4)]
        calls[1].cancel()
        clock.call_at(when - 1, calls[2].cancel)
        clock.call_at(0, seen.append, "past").cancel()
        await clock.sleep_until(when + 1)
        calls[0].cancel()  # made already: harmless
        return seen, [call.cancelled() for call in calls]

    assert run(main, virtual) == ([0, 3], [True, True, True, False])


@both
def test_a_call_can_cancel_another_due_at_the_same_tick(virtual):
    async def main(clock):
        seen, when = [], clock.now() + TICKS_PER_MS
        doomed = []
        clock.call_at(when, lambda: doomed[0].cancel())
        doomed.append(clock.call_at(when, seen.append, "doomed"))
        await clock.sleep_until(when + 1)
        return seen

    assert run(main, virtual) == []


@both
def test_sleeps_never_end_early(virtual):
    async def main(clock):
        slept = []
        for wait in 1, 72, 3 * TICKS_PER_MS, 0, -5:
            until = clock.now() + wait
            await clock.sleep_until(until)
            slept.append(clock.now() >= until)
        return slept

    assert run(main, virtual) == [True] * 5


@both
def test_an_exception_in_a_timed_call_ends_the_run_and_main_can_clean_up(virtual):
    cleaned = []

    async def main(clock):
        clock.call_at(clock.now() + 72, lambda: 1 // 0)
        clock.call_at(clock.now() + 7200, cleaned.append, "the simulation went on")
        try:
            await asyncio.Event().wait()
        finally:
            await clock.sleep(0.002)
            cleaned.append("main")

    with pytest.raises(ZeroDivisionError):
        run(main, virtual)
    assert cleaned == ["main"]


def test_the_first_cause_stands_when_the_clean_up_waits_for_the_broken_simulation():
    async def main(clock):
        clock.call_at(1, lambda: 1 // 0)
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.Event().wait()

    with pytest.raises(ZeroDivisionError):
        run(main)


def test_virtual_time_is_exact_over_a_year():
    async def main(clock):
        await clock.sleep(YEAR_S)
        await clock.sleep_until(clock.now() + 1)
        await asyncio.sleep(1 / 9600)
        return clock.now(), clock.ticks

    expected = YEAR_S * TICKS_PER_SECOND + 1 + 7_500
    assert run(main) == (expected, expected)


def test_a_million_ticks_one_by_one_are_a_million():
    async def main(clock):
        def again(left):
            if left:
                clock.call_at(clock.ticks + 1, again, left - 1)

        again(1_000_000)
        await clock.sleep_until(1_000_000)
        return clock.now()

    assert run(main) == 1_000_000


def test_bits_slept_in_float_seconds_do_not_drift():
    async def main(clock):
        for _ in range(48_000):
            await asyncio.sleep(1 / 9600)
        return clock.now()

    assert run(main) == 5 * TICKS_PER_SECOND


def on_ordinary_loop(ordinary_loop, main):
    """Run `main(clock, loop)` with a real clock whose loop passes no time but what it is told to."""
    with asyncio.Runner(loop_factory=ordinary_loop) as runner:
        loop = runner.get_loop()
        return runner.run(main(RealClock(loop), loop))


def test_lateness_of_a_real_clock(ordinary_loop):
    async def main(clock, loop):
        told = []
        clock.tell_late(told.append)
        clock.call_at(7_200, loop.pass_time, 0.0050)
        clock.call_at(7_272, print)  # 1 us later, when 5 ms have been computed away: 4,999 us late
        for n in range(998):
            clock.call_at(ticks(1 + n), int)
        await clock.sleep_until(ticks(2_000))
        return told

    (late,) = on_ordinary_loop(ordinary_loop, main)
    assert abs(late - 4_999 * TICKS_PER_US) <= 1  # the loop's float seconds


def test_calls_asked_for_meanwhile_wait_until_the_loop_has_looked_around(ordinary_loop):
    async def main(clock, loop):
        seen = []

        def first():
            loop.call_soon(seen.append, "a word arrived")
            loop.pass_time(0.001)
            clock.call_at(clock.now(), seen.append, "asked meanwhile")

        clock.call_at(72, first)
        clock.call_at(72, seen.append, "due")
        await clock.sleep(1)
        return seen

    assert on_ordinary_loop(ordinary_loop, main) == ["due", "a word arrived", "asked meanwhile"]


def test_work_that_can_wait_is_done_one_by_one_while_nothing_else_is_due(ordinary_loop):
    async def main(clock, loop):
        seen = []

        def work(name):
            seen.append((name, clock.now()))
            loop.call_soon(seen.append, "a word arrived")

        clock.call_at(100, seen.append, "an answer")
        clock.call_at(100 + ROOM, seen.append, "another")  # just as long as there must be
        for name in ("first", "second"):
            clock.call_idle(90, lambda name=name: work(name))
        await clock.sleep(1)
        return seen

    read = "a word arrived"
    assert on_ordinary_loop(ordinary_loop, main) == [
        "an answer", ("first", 100), read, ("second", 100), read, "another",
    ]  # fmt: skip


def test_work_that_can_wait_waits_no_longer_than_its_patience(ordinary_loop):
    async def main(clock, loop):
        seen = []

        def busy():
            clock.call_at(clock.now() + ROOM // 2, busy)

        busy()
        clock.call_idle(1000, lambda: seen.append(clock.now()))
        await clock.sleep_until(1000 + PATIENCE + ROOM)
        return seen

    (done,) = on_ordinary_loop(ordinary_loop, main)
    assert 1000 + PATIENCE <= done <= 1000 + PATIENCE + ROOM


def test_a_stopped_real_clock_makes_no_more_calls(ordinary_loop):
    async def main(clock, loop):
        seen, beside = [], clock.begin_beside()
        beside.call_at(72, seen.append, "made")
        beside.call_at(144, beside.stop)
        beside.call_at(144, seen.append, "at the same tick")
        beside.call_at(145, seen.append, "later")
        await clock.sleep(1)
        return seen

    assert on_ordinary_loop(ordinary_loop, main) == ["made"]


def test_a_clock_beside_begins_at_zero_and_breaks_the_run():
    async def main(clock):
        await clock.sleep(0.001)
        beside = clock.begin_beside()
        assert beside.now() < clock.now()
        beside.call_at(0, lambda: 1 // 0)
        await asyncio.Event().wait()

    with pytest.raises(ZeroDivisionError):
        run(main, virtual=False)


# A plan: calls that are scheduled at the start, each of which schedules further ones when it is made.
waits = st.integers(-3, 6)
plans = st.recursive(
    st.tuples(waits, st.just(())), lambda more: st.tuples(waits, st.lists(more, max_size=3)), max_leaves=20
)


@timeless
@given(st.lists(plans, max_size=6), st.sets(st.integers(0, 40)))
def test_any_plan_runs_by_deadline_then_order(plan, cancelled):
    """Against a list that is searched for the least (deadline, order), deadlines not before now."""

    def by_search():
        pending, seen, made = [], [], 0

        def add(now, calls):
            nonlocal made
            for wait, more in calls:
                if made not in cancelled:
                    pending.append((max(now, now + wait), made, more))
                made += 1

        add(0, plan)
        while pending:
            head = min(pending, key=lambda call: call[:2])
            pending.remove(head)
            seen.append(head[:2])
            add(head[0], head[2])
        return seen

    async def main(clock):
        seen, made = [], 0

        def add(calls):
            nonlocal made
            for wait, more in calls:
                call = clock.call_at(clock.now() + wait, happen, made, more)
                if made in cancelled:
                    call.cancel()
                made += 1

        def happen(number, more):
            seen.append((clock.now(), number))
            add(more)

        add(plan)
        await clock.sleep_until(1_000)
        return seen

    assert run(main) == by_search()


def test_a_leap_brings_far_calls_nearer_and_no_others():
    told = []

    async def main(clock):
        clock.call_at(100, told.append, "near")
        clock.call_far(1_000, told.append, "far")
        clock.call_regular(1_200, told.append, "regular")
        clock.call_aside(1_100, lambda: "", told.append, "aside")
        assert clock.next_far() == 1_000 and clock.next_aside()[0] == 1_100
        assert [when for when, _ in clock.regular()] == [1_200] and [when for when, _ in clock.near()] == [100]
        clock.skip(950)
        assert clock.now() == 0 and clock.bench_time() == 950 and clock.next_far() == 1_000
        [(_, regular)] = clock.regular()
        clock.set_regular(regular, 960)
        assert clock.regular()[0][0] == 960
        clock.make_aside(clock.next_aside()[1])
        assert told == ["aside"] and clock.next_aside() is None
        await clock.sleep_until(1_300)

    run(main)
    assert told == ["aside", "regular", "far", "near"]
