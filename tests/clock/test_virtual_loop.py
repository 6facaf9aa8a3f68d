"""The virtual loop as an asyncio loop: what works, what is refused, what is told when it stalls."""

import asyncio
import logging
import math
import os
import subprocess
import sys
import textwrap
import threading
from contextvars import ContextVar

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.clock import NoOutside, Stalled, VirtualLoop, run
from benchsim.events import TICKS_PER_SECOND

timeless = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # no wall clock judges
YEAR = 365 * 86_400 * TICKS_PER_SECOND


def line(function, offset):
    return function.__code__.co_firstlineno + offset


def test_stalled_names_every_task_and_where_it_waits():
    async def buyer(shelf):
        return await shelf.get()

    async def main(clock):
        await clock.sleep(1.5)
        task = asyncio.create_task(buyer(asyncio.Queue()), name="buyer")
        await task

    with pytest.raises(Stalled) as stalled:
        run(main)
    where = f"{test_stalled_names_every_task_and_where_it_waits.__name__}.<locals>"
    head, of_main, of_buyer = str(stalled.value).split("; ")
    assert head == "stalled at 1.500000 s, nothing is left to happen"
    assert of_main == f"task 1 waits in {where}.main line {line(main, 3)} for buyer"
    assert of_buyer.startswith(f"buyer waits in {where}.buyer line {line(buyer, 1)} > Queue.get line ")


def test_an_endless_sleep_stalls_too():
    async def main(clock):
        await asyncio.sleep(math.inf)

    with pytest.raises(Stalled, match="nothing is left to happen"):
        run(main)


def test_waiting_by_asking_again_is_told_as_a_stall(monkeypatch):
    monkeypatch.setattr("benchsim.clock.loop.BUSY_ROUNDS", 1_000)

    async def main(clock):
        while True:
            await asyncio.sleep(0)

    with pytest.raises(Stalled, match="endless work at one instant"):
        run(main)


@pytest.mark.parametrize(
    ("asked", "ask"),
    [
        ("run_in_executor", lambda: asyncio.to_thread(print)),
        ("create_connection", lambda: asyncio.open_connection("localhost", 1)),
        ("create_server", lambda: asyncio.start_server(print, port=1)),
        ("subprocess_exec", lambda: asyncio.create_subprocess_exec("true")),
    ],
)
def test_the_outside_world_is_refused_by_name(asked, ask):
    async def main(clock):
        await ask()

    with pytest.raises(NoOutside, match=f"{asked}: the virtual clock has no outside world"):
        run(main)


def test_another_thread_is_refused():
    refused = []

    async def main(clock):
        loop = asyncio.get_running_loop()

        def other():
            try:
                loop.call_soon_threadsafe(print)
            except NoOutside as error:
                refused.append(str(error))

        thread = threading.Thread(target=other)
        thread.start()
        thread.join()

    run(main)
    assert len(refused) == 1 and refused[0].startswith("a call from another thread")


def test_a_closed_loop_takes_no_calls():
    loop = VirtualLoop()
    loop.close()
    for ask in (lambda: loop.call_soon(print), lambda: loop.call_later(1, print)):
        with pytest.raises(RuntimeError, match="closed"):
            ask()


def test_stop_before_run_forever_runs_one_round():
    loop, seen = VirtualLoop(), []
    loop.call_soon(lambda: loop.call_soon(seen.append, "second round"))
    loop.call_soon(seen.append, "first round")
    loop.call_later(1, seen.append, "later")
    loop.stop()
    loop.run_forever()
    loop.close()
    assert seen == ["first round"]


def test_stop_from_a_timed_call_stops_at_that_tick():
    loop, seen = VirtualLoop(), []
    loop.clock.call_at(5, loop.stop)
    loop.clock.call_at(6, seen.append, "too late")
    loop.run_forever()
    assert (loop.ticks, seen) == (5, [])
    loop.close()


def test_an_exception_in_a_callback_of_asyncio_is_told_and_the_round_goes_on(caplog):
    async def main(clock):
        loop, seen = asyncio.get_running_loop(), []
        loop.call_soon(lambda: 1 // 0)
        loop.call_soon(seen.append, "after")
        loop.call_later(1, lambda: 1 // 0)
        loop.call_later(1, seen.append, "later")
        await clock.sleep(2)
        return seen

    with caplog.at_level(logging.ERROR, "asyncio"):
        assert run(main) == ["after", "later"]
    assert [record.exc_info[0] for record in caplog.records] == [ZeroDivisionError] * 2


def test_left_over_tasks_and_generators_are_closed():
    closed = []

    async def endless(clock):
        try:
            while True:
                await clock.sleep(1)
        finally:
            closed.append("task")

    async def counting():
        try:
            while True:
                yield 1
        finally:
            await asyncio.sleep(1)
            closed.append("generator")

    async def main(clock):
        asyncio.create_task(endless(clock))
        generator = counting()
        await anext(generator)
        await clock.sleep(3)
        closed.append("main")
        closed.append(generator)  # alive until the loop shuts it down

    run(main)
    del closed[1]
    assert closed == ["main", "task", "generator"]


async def timeouts(clock):
    for _ in range(20_000):
        async with asyncio.timeout(86_400):
            await asyncio.sleep(0.001)


async def timed_calls(clock):
    for _ in range(20_000):
        clock.call_at(clock.now() + YEAR, print).cancel()


@pytest.mark.parametrize("cancels", [timeouts, timed_calls])
def test_deadlines_that_never_strike_cost_no_memory(cancels):
    async def main(clock):
        await cancels(clock)
        return len(clock._heap)

    assert run(main) < 5_000


def test_cancelled_deadlines_move_no_time():
    async def main(clock):
        for cancelled in asyncio.sleep(60), clock.sleep(50), asyncio.wait_for(asyncio.Event().wait(), 40):
            task = asyncio.create_task(cancelled)
            await clock.sleep(1)
            task.cancel()
        clock.call_at(YEAR, print).cancel()
        await asyncio.Event().wait()

    with pytest.raises(Stalled, match="stalled at 3.000000 s"):
        run(main)


def test_context_variables_follow_callbacks():
    place = ContextVar("place", default="nowhere")

    async def main(clock):
        loop, seen = asyncio.get_running_loop(), []
        place.set("here")
        loop.call_later(1, lambda: seen.append(place.get()))
        loop.call_soon(lambda: seen.append(place.get()))
        place.set("there")
        await clock.sleep(2)
        return seen

    assert run(main) == ["here", "here"]


@timeless
@given(start=st.integers(0, YEAR), wait=st.integers(1, YEAR // 2))
def test_deadlines_in_seconds_meet_their_tick_over_a_year(start, wait):
    async def main(clock):
        loop, struck = asyncio.get_running_loop(), []
        await clock.sleep_until(start)
        loop.call_at((start + wait) / TICKS_PER_SECOND, lambda: struck.append(clock.now()))
        loop.call_later(wait / TICKS_PER_SECOND, lambda: struck.append(clock.now()))
        await clock.sleep_until(start + wait + 1)
        return struck

    assert run(main) == [start + wait] * 2


@timeless
@given(st.floats(1e-15, 0.4 / TICKS_PER_SECOND))
def test_no_wait_is_too_short_to_take_a_tick(wait):
    async def main(clock):
        await asyncio.sleep(wait)
        return clock.now()

    assert run(main) == 1


IN_ANY_PROCESS = """
    import asyncio
    from benchsim.clock import run

    async def job(clock, n):
        await clock.sleep(n % 3)
        return n

    async def main(clock):
        tasks = {asyncio.create_task(job(clock, n)) for n in range(40)}
        print([task.get_name() for task in tasks])
        print([task.get_name() for task in asyncio.all_tasks()])
        done, pending = await asyncio.wait(tasks, timeout=1)
        print([task.result() for task in done], [task.get_name() for task in pending])
        print([await result for result in asyncio.as_completed(tasks)], clock.now())

    run(main)
    run(main)
"""


def python(code, **environment):
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)],
        check=False,
        env=os.environ | environment,
        capture_output=True,
        text=True,
    )


def test_sets_of_tasks_iterate_alike_in_every_process_and_every_run():
    outputs = [python(IN_ANY_PROCESS, PYTHONHASHSEED=seed).stdout for seed in ("0", "1", "random")]
    lines = outputs[0].splitlines()
    assert len(lines) == 8 and lines[:4] == lines[4:]
    assert outputs == [outputs[0]] * 3


INTERRUPTED = """
    import asyncio, signal
    from benchsim.clock import run

    async def main(clock):
        clock.call_at(clock.now() + 72_000, signal.raise_signal, signal.SIGINT)
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            print("report written")
            {then}

    try:
        print(run(main, virtual={virtual}))
    except KeyboardInterrupt:
        print("interrupted")
"""


@pytest.mark.parametrize("virtual", [True, False])
@pytest.mark.parametrize(("then", "end"), [("raise", "interrupted"), ("return 'partial'", "partial")])
def test_ctrl_c_reaches_main_as_cancellation(virtual, then, end):
    done = python(INTERRUPTED.format(then=then, virtual=virtual))
    assert (done.stdout.splitlines(), done.stderr) == (["report written", end], "")
