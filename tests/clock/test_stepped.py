"""The clock that is told how far to go makes the same calls in the same order as the loop's."""

from hypothesis import given
from hypothesis import strategies as st

from benchsim.clock import run
from benchsim.clock.stepped import SteppedClock


def test_calls_up_to_and_at_the_tick_are_made_in_order():
    clock, made = SteppedClock(), []
    for when in (30, 10, 20, 20, 31):
        clock.call_at(when, lambda when=when: made.append((when, clock.now())))
    clock.advance(30)
    assert made == [(10, 10), (20, 20), (20, 20), (30, 30)]
    assert clock.now() == 30 and clock.next_due() == 31


def test_cancelled_calls_are_never_due():
    clock = SteppedClock()
    clock.call_at(5, lambda: None).cancel()
    assert clock.next_due() is None
    clock.advance(7)
    assert clock.now() == 7


def test_the_past_is_not_gone_back_to():
    clock = SteppedClock()
    clock.advance(10)
    made = []
    clock.call_at(3, made.append, 1)
    clock.advance(4)
    assert made == [1] and clock.now() == 10


def program(clock, plan, told):
    """Calls that schedule others, some of them for now."""

    def go(step, depth):
        told.append((clock.now(), step))
        for delay, more in plan[step % len(plan)]:
            if depth < 4:
                clock.call_at(clock.now() + delay, go, step + more, depth + 1)

    clock.call_at(1, go, 0, 0)


@given(
    st.lists(st.lists(st.tuples(st.integers(0, 5), st.integers(1, 3)), max_size=3), min_size=1, max_size=4),
    st.lists(st.integers(1, 7), min_size=1, max_size=8),
)
def test_the_same_calls_as_in_the_loop_however_it_is_cut(plan, steps):
    by_loop, by_steps = [], []

    async def main(clock):
        program(clock, plan, by_loop)
        await clock.sleep_until(40)

    run(main)
    clock = SteppedClock()
    program(clock, plan, by_steps)
    while clock.now() < 40:
        for step in steps:
            clock.advance(min(40, clock.now() + step))
    assert by_steps == by_loop
