"""Who measures in real time hears for how long the loop looked at nothing, whatever it was that kept it."""

import os
import time

from benchsim.clock import run
from benchsim.clock.real_loop import BLIND, LOOK
from benchsim.events import TICKS_PER_MS, seconds


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


def test_what_came_meanwhile_is_read_after_the_stall_was_told():
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

    seen = run(main, virtual=False)
    assert seen[0] == "stall" and b"!" in seen


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


def test_short_looks_wait_as_long_as_one():
    """A timer is no earlier and a wait no shorter for it."""

    async def main(clock):
        clock.tell_late(lambda late: None)
        begun = time.monotonic()
        await clock.sleep(0.05)
        return time.monotonic() - begun

    assert run(main, virtual=False) >= 0.05 - seconds(LOOK)
