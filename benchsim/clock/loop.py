"""An asyncio event loop in virtual time: it never waits, it jumps to the next deadline.

Tasks, timeouts, queues and all else that asyncio builds on a loop's `call_soon` and `call_at` work.
Same program, same bytes: tasks are counted per loop and hash by that number, not by address, so that
sets of them iterate alike in every process; their names are counted likewise.

What may not live here: a selector, a thread, the time of day. Nothing outside can be waited for,
because no time passes for it to happen in; whoever asks gets `NoOutside`.
"""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from contextvars import Context, ContextVar, copy_context
from functools import partial
from heapq import heapify, heappop
from typing import Any, NoReturn

from benchsim.clock.clocks import Timed, VirtualClock, _nothing
from benchsim.events import TICKS_PER_SECOND

FOREVER = float("inf")
BUSY_ROUNDS = 1_000_000  # rounds of callbacks at one tick: by then somebody waits by asking again

OUTSIDE = (
    "run_in_executor getaddrinfo getnameinfo add_reader remove_reader add_writer remove_writer "
    "add_signal_handler create_connection create_server create_datagram_endpoint "
    "create_unix_connection create_unix_server connect_accepted_socket connect_read_pipe "
    "connect_write_pipe subprocess_exec subprocess_shell sendfile start_tls sock_accept sock_connect "
    "sock_recv sock_recv_into sock_recvfrom sock_recvfrom_into sock_sendall sock_sendfile sock_sendto"
)


class Stalled(RuntimeError):
    """Nothing is left that could happen, and still somebody waits. Names who waits where."""


class NoOutside(RuntimeError):
    """Something of the real world was asked of a loop in virtual time."""


class _Task(asyncio.Task):
    """Hashes by its number, so that the order of a set of tasks depends on the program alone.

    Bare futures stay as they are: awaiting a subclass costs a quarter of all speed. Who keeps them in
    a set must not iterate over it.
    """

    def __init__(self, coro: Coroutine, *, loop: "VirtualLoop", name: str | None = None, **options: Any):
        self.number = loop.tasks_made = loop.tasks_made + 1
        super().__init__(coro, loop=loop, name=name or f"task {self.number}", **options)

    def __hash__(self) -> int:
        return self.number


class _Handle(Timed):
    """What `call_soon` returns: a call within a context. Its `_call` is that context's `run`.

    Not an `asyncio.Handle`, whose making costs more than all else a sleep does.
    """

    __slots__ = ()

    def get_context(self) -> Context:
        return self._call.__self__

    def __repr__(self) -> str:
        return "<cancelled call>" if self.cancelled() else f"<call of {self._args[0]!r}>"


_leaping: ContextVar[bool] = ContextVar("leaping", default=False)  # set for who takes part in leaps


class _Later(_Handle):
    """What `call_later` and `call_at` return. It is far: users' coroutines live in bench time."""

    __slots__ = ("_when",)
    far = True

    def when(self) -> float:
        return self._when / TICKS_PER_SECOND


class _AtRest(_Later):
    """The same for who takes part in leaps."""

    __slots__ = ()
    far, users = False, True


class VirtualLoop(asyncio.BaseEventLoop):
    """Drives a `VirtualClock` (`loop.clock`). `loop.time()` is its bench time in seconds, for who was started by
    `run_at_rest` that without leaps.

    Seconds given to asyncio round to the nearest tick, but a wait of any length takes at least one.
    A wait of infinite length is allowed and never ends.
    """

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        self._ready, self._scheduled = self.clock._due, self.clock._heap
        self._broken: BaseException | None = None  # the first thing that ended a run
        self.tasks_made = 0
        self.set_task_factory(_make_task)
        self.create_future = partial(asyncio.Future, loop=self)

    @property
    def ticks(self) -> int:
        return self.clock.ticks

    def time(self) -> float:
        return (self.clock.ticks + (0 if _leaping.get() else self.clock.skipped)) / TICKS_PER_SECOND

    def run_at_rest(self, code: Coroutine) -> asyncio.Task:
        """A task whose time, and that of all it starts, stands still while quiet time is leapt over."""
        context = copy_context()
        context.run(_leaping.set, True)
        return self.create_task(code, context=context)

    def set_debug(self, enabled: bool) -> None:
        super().set_debug(enabled)
        # C asks this for every future and task; a method in Python would cost as much as the future.
        self.get_debug = partial(bool, enabled)

    def call_soon(self, *call: Any, context: Context | None = None) -> _Handle:
        if self._closed:
            self._check_closed()
        handle = _Handle()
        handle._call = copy_context().run if context is None else context.run
        handle._args = call
        self._ready.append(handle)
        return handle

    def call_soon_threadsafe(self, *call: Any, context: Context | None = None) -> _Handle:
        """For signal handlers. Another thread is the outside, and refused."""
        if self._thread_id not in (None, threading.get_ident()):
            _refuse("a call from another thread")
        return self.call_soon(*call, context=context)

    def call_later(self, delay: float, *call: Any, context: Context | None = None) -> _Later:
        if self._closed:
            self._check_closed()
        clock, wait = self.clock, delay * TICKS_PER_SECOND
        leaping = _leaping.get()
        handle = _AtRest() if leaping else _Later()
        handle._call = copy_context().run if context is None else context.run
        handle._args = call
        if 0 < wait < FOREVER:
            when = clock.ticks + (round(wait) or 1)
            handle._when = when if leaping else when + clock.skipped
            clock.push_far(when, handle)
        elif wait == FOREVER:
            handle._when = FOREVER
        else:
            handle._when = clock.ticks if leaping else clock.ticks + clock.skipped
            self._ready.append(handle)
        return handle

    def call_at(self, when: float, *call: Any, context: Context | None = None) -> _Later:
        return self.call_later(when - self.time(), *call, context=context)

    def stop(self) -> None:
        super().stop()
        self.call_soon(_nothing)  # so that the jumps from deadline to deadline pause

    def _run_once(self) -> None:
        """Until stopped: run rounds of what is due; when nothing is, jump to the next deadline.

        `run_forever` of the base calls this in a loop, of which we need no second turn.
        """
        try:
            self._run_until_stopped()
        except BaseException as broken:
            if self._broken is None:
                self._broken = broken
                # The simulation stands still from here on; coroutines may still clean up in time.
                self._scheduled[:] = [e for e in self._scheduled if isinstance(e[2], _Handle)]
                heapify(self._scheduled)
            raise

    def _run_until_stopped(self) -> None:
        clock, ready, heap = self.clock, self._ready, self._scheduled
        rounds = 0
        while True:
            call = None
            try:
                if ready:
                    rounds += 1
                    if rounds > BUSY_ROUNDS:
                        self._stall("endless work at one instant")
                    for _ in range(len(ready)):
                        call = ready.popleft()
                        call._call(*call._args)
                elif heap:
                    rounds = 0
                    while heap:
                        when, _, call = heappop(heap)
                        if call._call is not _nothing:  # a cancelled deadline moves no time
                            clock.ticks = when
                            call._call(*call._args)
                        if ready and not (heap and heap[0][0] == clock.ticks):
                            break
                elif not self._stopping:
                    self._stall("nothing is left to happen")
            except (SystemExit, KeyboardInterrupt):
                raise
            except BaseException as broken:
                if not isinstance(call, _Handle):
                    raise
                # As the ordinary loop does with callbacks; tasks keep their exceptions to themselves.
                about = {"message": f"Exception in callback {call!r}", "exception": broken}
                self.call_exception_handler(about)
            if self._stopping:
                return

    def _stall(self, why: str) -> NoReturn:
        if self._broken:  # waiting, in its clean-up, for a simulation that has ended
            raise self._broken
        waiting = sorted(asyncio.all_tasks(self), key=hash)
        told = [f"{task.get_name()} waits in {_where(task)}" for task in waiting]
        raise Stalled("; ".join([f"stalled at {self.time():.6f} s, {why}", *told]))


def _make_task(loop: VirtualLoop, coro: Coroutine, **options: Any) -> _Task:
    return _Task(coro, loop=loop, **options)


def _where(task: asyncio.Task) -> str:
    """The chain of coroutines down to the one that waits: `buy line 12 > Queue.get line 158`."""
    steps, inner = [], task.get_coro()
    while inner is not None:
        frame = getattr(inner, "cr_frame", None) or getattr(inner, "gi_frame", None)
        if frame is not None:
            steps.append(f"{inner.__qualname__} line {frame.f_lineno}")
        inner = getattr(inner, "cr_await", None) or getattr(inner, "gi_yieldfrom", None)
    awaited = getattr(task, "_fut_waiter", None)
    target = f" for {awaited.get_name()}" if isinstance(awaited, asyncio.Task) else ""
    return " > ".join(steps) + target


def _refuse(what: str) -> NoReturn:
    raise NoOutside(f"{what}: the virtual clock has no outside world; run this with a real clock")


def _refusal(name: str) -> Callable:
    def refuse(self, *args, **options):
        _refuse(name)

    refuse.__name__ = name
    return refuse


for _name in OUTSIDE.split():
    setattr(VirtualLoop, _name, _refusal(_name))
