"""Who measures in real time hears for how long the loop looked at nothing, whatever it was that kept it."""

import asyncio
import os
import time

from benchsim.clock import run
from benchsim.clock.real_loop import BLIND, LOOK, Eyes
from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, ticks


def test_blind_is_a_look_and_what_may_be_late():
    assert LOOK == TICKS_PER_MS and BLIND == 3 * TICKS_PER_MS


def test_work_of_our_own_is_told_though_no_call_was_due():
    async def main(clock):
        told = []
        clock.tell_late(told.append)
        clock._loop.call_soon(time.sleep, 0.02)
        await clock.sleep(0.2)
        return told

    assert max(run(main, virtual=False)) >= 20 * TICKS_PER_MS


def test_who_begins_to_measure_hides_no_stall_from_who_does_already():
    async def main(clock):
        first, second, beside = [], [], clock.begin_beside()
        clock.tell_late(first.append)

        def busy():
            time.sleep(0.02)
            beside.tell_late(second.append)

        clock._loop.call_soon(busy)
        await clock.sleep(0.1)
        return first, second

    first, second = run(main, virtual=False)
    assert max(first) >= 20 * TICKS_PER_MS > max(second, default=0)


def test_who_is_told_may_set_a_timer():
    async def main(clock):
        woken = asyncio.get_running_loop().create_future()
        clock.tell_late(lambda late: woken.done() or clock.call_at(clock.now(), woken.set_result, clock.now()))
        clock._loop.call_soon(lambda: clock._loop.call_soon(time.sleep, 0.02))
        clock.call_at(ticks(3), int)  # whoever wakes up for that only is too late
        told = await woken
        return clock.now() - told

    assert run(main, virtual=False) < TICKS_PER_SECOND


def test_a_clock_that_tells_another_tells_the_first_no_more():
    async def main(clock):
        first, second = [], []
        clock.tell_late(first.append)
        clock.tell_late(second.append)
        clock._loop.call_soon(time.sleep, 0.02)
        await clock.sleep(0.1)
        clock.stop()
        return first, second, clock._loop.eyes._told

    first, second, left = run(main, virtual=False)
    assert not first and second and not left


def test_a_stall_is_told_though_what_came_meanwhile_is_read():
    async def main(clock):
        seen, (there, here) = [], os.pipe()
        clock.tell_late(lambda late: seen.append("stall") if late > 15 * TICKS_PER_MS else None)
        clock._loop.add_reader(there, lambda: seen.append(os.read(there, 1)))

        def busy():
            os.write(here, b"!")
            time.sleep(0.02)

        clock._loop.call_soon(busy)
        await clock.sleep(0.2)
        clock._loop.remove_reader(there)
        for end in (there, here):
            os.close(end)
        return seen

    assert set(run(main, virtual=False)) == {"stall", b"!"}


def test_nobody_is_told_once_the_clock_has_stopped():
    async def main(clock):
        told, beside = [], clock.begin_beside()
        beside.tell_late(told.append)
        beside.stop()
        beside.stop()
        clock._loop.call_soon(time.sleep, 0.02)
        await clock.sleep(0.1)
        return told

    assert run(main, virtual=False) == []


def test_many_looks_are_one_wait():
    """It ends early only where somebody was told of a stall."""
    with Eyes() as eyes:
        told, calls, until = [], 0, time.monotonic() + 0.05
        eyes.tell(told.append)
        while (left := until - time.monotonic()) > 0:
            assert eyes.select(left) == []
            calls += 1
    assert calls <= 1 + len(told)
