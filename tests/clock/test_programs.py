"""The same programs on the virtual loop and on asyncio's own loop, compared event by event.

The outside value is the standard library's SelectorEventLoop (fixture `ordinary_loop`).
"""

import asyncio

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.clock import VirtualLoop
from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, seconds

timeless = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # no wall clock judges


def told(loop_class, program):
    """What `program(log)` logs, each entry with its time in ticks, and what it returns."""
    with asyncio.Runner(loop_factory=loop_class) as runner:
        loop, entries = runner.get_loop(), []

        def log(*entry):
            entries.append((round(loop.time() * TICKS_PER_SECOND), *entry))

        return runner.run(program(log)), entries


async def gathers(log):
    async def step(n):
        await asyncio.sleep(n / 10)
        log("slept", n)
        if n == 2:
            raise ValueError(n)
        return n

    results = await asyncio.gather(step(3), step(1), step(2), return_exceptions=True)
    return [repr(result) for result in results]


async def waits(log):
    tasks = [asyncio.create_task(asyncio.sleep(n, n)) for n in (5, 1, 3)]
    done, pending = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    log("first", [task.result() for task in done], len(pending))
    done, pending = await asyncio.wait(pending, timeout=2.5)
    log("timeout", [task.result() for task in done], len(pending))
    for result in asyncio.as_completed(pending):
        log("completed", await result)


async def times_out(log):
    for limit in 1, 3:
        try:
            async with asyncio.timeout(limit):
                log("slept", await asyncio.sleep(2, "well"))
        except TimeoutError:
            log("timeout")
    try:
        await asyncio.wait_for(asyncio.Event().wait(), 0.25)
    except TimeoutError:
        log("waited")
    return await asyncio.wait_for(asyncio.sleep(0.1, "in time"), 1)


async def queues(log):
    shelf = asyncio.Queue(maxsize=2)

    async def fill():
        for n in range(6):
            await shelf.put(n)
            log("put", n)
            await asyncio.sleep(0.1)

    async def sell():
        while True:
            await asyncio.sleep(0.25)
            log("got", await shelf.get())
            shelf.task_done()

    seller = asyncio.create_task(sell())
    await fill()
    await shelf.join()
    seller.cancel()


async def groups(log):
    async def fail():
        await asyncio.sleep(1)
        raise KeyError("broken")

    async def go_on():
        try:
            await asyncio.sleep(9)
        finally:
            await asyncio.sleep(0.5)
            log("cleaned")

    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(fail())
            group.create_task(go_on())
    except* KeyError as broken:
        log("broken", len(broken.exceptions))


async def conditions(log):
    changed, credit = asyncio.Condition(), 0

    async def buyer(price):
        async with changed:
            await changed.wait_for(lambda: credit >= price)
            log("bought for", price)

    async with asyncio.TaskGroup() as group:
        for price in 3, 1, 2:
            group.create_task(buyer(price))
        for credit in range(1, 4):
            await asyncio.sleep(1)
            async with changed:
                changed.notify_all()


async def locks(log):
    lock, few = asyncio.Lock(), asyncio.Semaphore(2)

    async def use(n):
        async with few:
            log("in", n)
            async with lock:
                await asyncio.sleep(1 + n / 10)
        log("out", n)

    await asyncio.gather(*map(use, range(4)))


async def generates(log):
    async def ticks():
        try:
            for n in range(10):
                yield n
                await asyncio.sleep(0.5)
        finally:
            log("closed")

    source = ticks()
    async for n in source:
        log("tick", n)
        if n == 3:
            break
    await source.aclose()


async def leaves_tasks(log):
    async def linger():
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            log("cancelled")
            raise

    asyncio.create_task(linger())
    await asyncio.sleep(1)
    asyncio.get_running_loop().call_soon(log, "after main, in the last round")
    return "main"


async def shields(log):
    inner = asyncio.create_task(asyncio.sleep(2, "kept"))
    try:
        await asyncio.wait_for(asyncio.shield(inner), 1)
    except TimeoutError:
        log("outer timed out")
    return await inner


PROGRAMS = (
    gathers, waits, times_out, queues, groups, conditions, locks, generates, leaves_tasks, shields
)  # fmt: skip


@pytest.mark.parametrize("program", PROGRAMS, ids=lambda program: program.__name__)
def test_programs_run_as_on_the_ordinary_loop(program, ordinary_loop):
    ordinary = told(ordinary_loop, program)
    assert ordinary[1], "a program that logs nothing compares nothing"
    assert told(VirtualLoop, program) == ordinary


# Random programs: tasks of steps. The ordinary loop keeps no order among equal deadlines, so step n
# waits 2**n ticks on top of whole milliseconds, and no two waits of a program end together.
TASKS, STEPS = 3, 5
steps = st.one_of(
    st.tuples(st.just("sleep"), st.integers(0, 9)),
    st.tuples(st.just("put"), st.just(0)),
    st.tuples(st.just("get"), st.integers(0, 9)),
    st.tuples(st.just("set"), st.just(0)),
    st.tuples(st.just("wait"), st.integers(0, 9)),
    st.tuples(st.just("cancel"), st.integers(0, TASKS - 1)),
)
programs = st.lists(st.lists(steps, max_size=STEPS), min_size=1, max_size=TASKS)


@timeless
@given(tasks_steps=programs)
def test_any_program_runs_as_on_the_ordinary_loop(ordinary_loop, tasks_steps):
    async def program(log):
        shelf, event, tasks = asyncio.Queue(), asyncio.Event(), []

        async def do(task, number, what, much):
            limit = seconds(much * TICKS_PER_MS + 2 ** (task * STEPS + number))
            if what == "sleep":
                await asyncio.sleep(limit)
            elif what == "put":
                shelf.put_nowait((task, number))
            elif what == "get":
                return await asyncio.wait_for(shelf.get(), limit)
            elif what == "set":
                event.set()
            elif what == "wait":
                async with asyncio.timeout(limit):
                    await event.wait()
                event.clear()
            elif what == "cancel" and much < len(tasks):
                tasks[much].cancel()

        async def follow(task, its_steps):
            for number, step in enumerate(its_steps):
                try:
                    log(task, number, await do(task, number, *step))
                except (TimeoutError, asyncio.CancelledError) as error:
                    log(task, number, type(error).__name__)

        for task, its_steps in enumerate(tasks_steps):
            tasks.append(asyncio.create_task(follow(task, its_steps)))
        await asyncio.wait(tasks)

    assert told(VirtualLoop, program) == told(ordinary_loop, program)
