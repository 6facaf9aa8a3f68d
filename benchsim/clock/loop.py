"""An asyncio event loop in virtual time: it never waits, it jumps to the next deadline.

Tasks, timeouts, queues and all else that asyncio builds on a loop's `call_soon` and `call_at` work.
Same program, same bytes: tasks and futures hash by a number of their own, not by address, so sets of
them iterate alike in every process, and the names of tasks are counted per loop.

What may not live here: a selector, a thread, the time of day. Nothing outside can be waited for,
because no time passes for it to happen in; whoever asks gets `NoOutside`.
"""

import asyncio
import heapq
import threading
from collections.abc import Callable, Coroutine
from contextvars import Context, copy_context
from typing import Any, NoReturn

from benchsim.clock.clocks import Timed, VirtualClock
from benchsim.events import TICKS_PER_SECOND, seconds

BUSY_ROUNDS = 1_000_000  # rounds of callbacks at one tick: by then somebody waits by asking again

OUTSIDE = (
    "run_in_executor getaddrinfo getnameinfo add_reader remove_reader add_writer remove_writer "
    "add_signal_handler create_connection create_server create_datagram_endpoint "
    "create_unix_connection create_unix_server connect_accepted_socket connect_read_pipe "
    "connect_write_pipe subprocess_exec subprocess_shell sendfile start_tls sock_accept sock_connect "
    "sock_recv sock_recv_into sock_recvfrom sock_recvfrom_into sock_sendall sock_sendfile sock_sendto"
).split()


class Stalled(RuntimeError):
    """Nothing is left that could happen, and still somebody waits. Names who waits where."""


class NoOutside(RuntimeError):
    """Something of the real world was asked of a loop in virtual time."""


class _Numbered:
    """Hash by order of first use: set order then depends on the program alone."""

    def __hash__(self) -> int:
        try:
            return self._number
        except AttributeError:
            self._number = number = self._loop._count()
            return number


class _Future(_Numbered, asyncio.Future):
    pass


class _Task(_Numbered, asyncio.Task):
    pass


class _Soon(asyncio.Handle):
    """A handle made with less ado: most of a coroutine's cost in virtual time is its handles."""

    __slots__ = ()

    def __init__(self, callback, args, loop, context):
        self._callback = callback
        self._args = args
        self._loop = loop
        self._context = copy_context() if context is None else context
        self._cancelled = False
        self._repr = self._source_traceback = None


class VirtualLoop(asyncio.BaseEventLoop):
    """Drives a `VirtualClock` (`loop.clock`). `loop.time()` is its time in seconds.

    Seconds given to asyncio round to the nearest tick, but a wait of any length takes at least one.
    A wait of infinite length is allowed and never ends.
    """

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        self._ready, self._scheduled = self.clock._due, self.clock._heap
        self._broken: BaseException | None = None  # the first thing that ended a run
        self._counted = self._tasks_made = 0
        self.set_task_factory(_make_task)

    @property
    def ticks(self) -> int:
        return self.clock.ticks

    def time(self) -> float:
        return self.clock.ticks / TICKS_PER_SECOND

    def create_future(self) -> asyncio.Future:
        return _Future(loop=self)

    def call_soon(self, callback: Callable, *args: Any, context: Context | None = None) -> asyncio.Handle:
        if self._closed:
            self._check_closed()
        handle = _Soon(callback, args, self, context)
        self._ready.append(handle)
        return handle

    def call_soon_threadsafe(
        self, callback: Callable, *args: Any, context: Context | None = None
    ) -> asyncio.Handle:
        """For signal handlers. Another thread is the outside, and refused."""
        if self._thread_id not in (None, threading.get_ident()):
            _refuse("a call from another thread")
        return self.call_soon(callback, *args, context=context)

    def call_later(
        self, delay: float, callback: Callable, *args: Any, context: Context | None = None
    ) -> asyncio.TimerHandle:
        return self._call_in(delay * TICKS_PER_SECOND, callback, args, context)

    def call_at(
        self, when: float, callback: Callable, *args: Any, context: Context | None = None
    ) -> asyncio.TimerHandle:
        wait = when * TICKS_PER_SECOND - self.clock.ticks if when > self.time() else 0
        return self._call_in(wait, callback, args, context)

    def _call_in(self, wait: float, callback, args, context) -> asyncio.TimerHandle:
        if self._closed:
            self._check_closed()
        forever = wait == float("inf")
        when = wait if forever else self.clock.ticks + (max(round(wait), 1) if wait > 0 else 0)
        handle = asyncio.TimerHandle(seconds(when), callback, args, self, context)
        if when <= self.clock.ticks:
            self._ready.append(handle)
        elif not forever:
            self.clock._push(when, handle)
        return handle

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        """The clock sweeps cancelled calls by itself."""

    def _run_once(self) -> None:
        """Until stopped: run rounds of what is due; when nothing is, jump to the next deadline.

        Called once by `run_forever` of the base, which would call it for every round.
        """
        try:
            self._run_until_stopped()
        except BaseException as broken:
            if self._broken is None:
                self._broken = broken
                # The simulation stands still from here on; coroutines may still clean up in time.
                self._scheduled[:] = [e for e in self._scheduled if not isinstance(e[2], Timed)]
                heapq.heapify(self._scheduled)
            raise

    def _run_until_stopped(self) -> None:
        clock, ready, heap, pop = self.clock, self._ready, self._scheduled, heapq.heappop
        rounds = 0
        while True:
            if ready:
                rounds += 1
                if rounds > BUSY_ROUNDS:
                    self._stall(f"Stalled at {self.time():.6f} s: endless work at one instant")
                for _ in range(len(ready)):
                    call = ready.popleft()
                    if not call._cancelled:
                        call._run()
            elif heap:
                rounds = 0
                clock.ticks = when = heap[0][0]
                while heap and heap[0][0] == when:
                    call = pop(heap)[2]
                    if not call._cancelled:
                        call._run()
            elif not self._stopping:
                self._stall(f"Stalled at {self.time():.6f} s: nothing is left to happen")
            if self._stopping:
                return

    def _stall(self, what: str) -> NoReturn:
        if self._broken:  # waiting, in its clean-up, for a simulation that has ended
            raise self._broken
        waiting = sorted(asyncio.all_tasks(self), key=hash)
        raise Stalled("; ".join([what, *(f"{task.get_name()} waits in {_where(task)}" for task in waiting)]))

    def _count(self) -> int:
        self._counted += 1
        return self._counted


def _make_task(loop: VirtualLoop, coro: Coroutine, *, name: str | None = None, **options: Any) -> _Task:
    loop._tasks_made += 1
    return _Task(coro, loop=loop, name=name or f"task {loop._tasks_made}", **options)


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


for _name in OUTSIDE:
    setattr(VirtualLoop, _name, _refusal(_name))
