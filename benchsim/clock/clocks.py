"""The clock a bench hands out: ticks now, timed calls, and nothing else of time.

Simulation code (lines, seats, machine) knows only `Clock`. Whether time jumps from deadline to
deadline (`VirtualClock`) or passes by itself (`RealClock`) is the choice of who calls `run`.

Both clocks keep one heap of `(when, order, call)`. `order` counts every call ever scheduled, so
that calls due at one tick run as they were scheduled and a heap never compares two calls.

Quiet time can be leapt over (`benchsim.leaps`). Then there are two times: `now()`, in which links, seats and
judge live and which a leap does not move, and bench time, which is `now()` and all that was leapt over. What
happens once in a while and belongs to no cycle (a customer, a day's schedule, whoever sleeps) is *far*: it is
set for a bench time, a leap brings it nearer and never passes it. Without leaps the two are one.
"""

import asyncio
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from operator import itemgetter

from benchsim.events import TICKS_PER_US, seconds, ticks

LATE = 2_000 * TICKS_PER_US  # a call later than this is a stall: whoever measures must be told
ROOM = 500 * TICKS_PER_US  # what a piece of work that can wait takes
PATIENCE = 100_000 * TICKS_PER_US  # work that can wait waits no longer for an idle moment
FIRST = 1 << 62  # taken from the order of a far call
Touches = Callable[[], str | None]
FEW_CALLS = 1_000  # below this many, cancelled calls in a heap are not worth a sweep


class Timed:
    """A call that will be made once.

    There is one for every timed happening at the bench, so it is made without `__init__`: whoever
    schedules it sets `_call` and `_args`.
    """

    __slots__ = ("_args", "_call")
    far = False  # set for a bench time
    aside = False  # and a leap may make it on its way
    regular = False  # or pass it
    users = False  # a coroutine of the user's waits for it

    def cancel(self) -> None:
        """Never make the call. Harmless after it was made, and twice."""
        self._call, self._args = _nothing, ()

    def cancelled(self) -> bool:
        return self._call is _nothing


class FarTimed(Timed):
    """A call set for a bench time. Of those due at one tick it comes before all that are not far: which of
    them was scheduled first would depend on what was leapt over."""

    __slots__ = ()
    far = True


class AsideTimed(FarTimed):
    """A far call that a leap may make on its way."""

    __slots__ = ("touches",)
    aside = True


class RegularTimed(FarTimed):
    """A far call that a leap may pass, if it knows what comes of it."""

    __slots__ = ()
    regular = True


def _nothing() -> None:
    """What a cancelled call does."""


class Clock(ABC):
    """Time at the bench, in ticks at 72 MHz since the clock began."""

    virtual: bool  # True: no time passes while Python computes, and nothing real can be waited for
    skipped = 0  # ticks that were leapt over

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Timed]] = []
        self._order = 0
        self._sweep_at = FEW_CALLS

    @abstractmethod
    def now(self) -> int:
        """Ticks since the clock began."""

    @abstractmethod
    def call_at(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        """Call `call(*args)` at tick `when`, straight from the loop, in no task.

        A `when` that has passed means as soon as possible, after all calls already due. Calls due
        at one tick run in the order in which they were scheduled. An exception in `call` ends `run`
        with that exception: a broken simulation does not go on.
        """

    def bench_time(self) -> int:
        """Ticks of bench time: those since the clock began, and what was leapt over."""
        return self.now() + self.skipped

    def call_far(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        """`call_at`, set for a bench time."""
        return self.call_at(when, call, *args)

    def call_aside(self, when: int, touches: Touches, call: Callable[..., object], *args: object) -> Timed:
        """`call_far`, for a call that may be made in the middle of a leap. `touches()`, asked at that time, says what
        it will touch beside what lives in bench time: "" is nothing, None may be anything, and by another word
        a leap may know what comes of it."""
        return self.call_far(when, call, *args)

    def call_idle(self, when: int, call: Callable[..., object]) -> None:
        """Call `call()` at tick `when`, or in real time later: as soon as there is time for it before the next call of
        another kind, at the latest `PATIENCE` after `when`. For work that may take as long as an answer may be late."""
        self.call_at(when, call)

    def call_regular(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        """`call_far`, for a call that sets itself again and leaves all as it was."""
        return self.call_far(when, call, *args)

    def tell_late(self, told: Callable[[int], None]) -> None:
        """From now on `told(ticks)` hears of every stall: a call that was later than LATE, or, on a loop with eyes, a longer
        time for which it did not look at its descriptors. Virtual time has none."""

    async def sleep(self, seconds: float) -> None:
        """Wait that many seconds of bench time (to the nearest tick; 0 or less lets others run)."""
        await self.sleep_until(self.bench_time() + ticks(seconds))

    async def sleep_until(self, when: int) -> None:
        """Wait until bench time `when`; one that has passed lets others run once."""
        woken = asyncio.get_running_loop().create_future()
        alarm = self.call_far(when, _wake, woken)
        try:
            await woken
        except BaseException:
            alarm.cancel()
            raise

    def _push(self, when: int, call: Timed) -> None:
        self._order = order = self._order + 1
        heappush(self._heap, (when, order - FIRST * call.far, call))
        if order > self._sweep_at:
            self._sweep()

    def _sweep(self) -> None:
        """Drop cancelled calls, so that a month of timeouts that never struck costs no memory."""
        self._heap[:] = [entry for entry in self._heap if not entry[2].cancelled()]
        heapify(self._heap)
        self._sweep_at = self._order + max(FEW_CALLS, len(self._heap))


class VirtualClock(Clock):
    """Time that stands still while anything is left to do, then jumps to the next deadline.

    It belongs to a `VirtualLoop`, which alone moves `ticks`. Everybody may read `ticks`: it is
    `now()` without the call.
    """

    virtual = True

    def __init__(self) -> None:
        super().__init__()
        self.ticks = 0
        self._due: deque[Timed] = deque()  # calls due now, in order

    def now(self) -> int:
        return self.ticks

    def bench_time(self) -> int:
        return self.ticks + self.skipped

    def call_at(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        timed = Timed()
        timed._call = call
        timed._args = args
        if when > self.ticks:  # as `_push` does: this is the hottest line of the bench
            self._order = order = self._order + 1
            heappush(self._heap, (when, order, timed))
            if order > self._sweep_at:
                self._sweep()
        else:
            self._due.append(timed)
        return timed

    def call_far(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        timed = FarTimed()
        timed._call, timed._args = call, args
        self.push_far(when - self.skipped, timed)
        return timed

    def call_aside(self, when: int, touches: Touches, call: Callable[..., object], *args: object) -> Timed:
        timed = AsideTimed()
        timed.touches, timed._call, timed._args = touches, call, args
        self.push_far(when - self.skipped, timed)
        return timed

    def call_regular(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        timed = RegularTimed()
        timed._call, timed._args = call, args
        self.push_far(when - self.skipped, timed)
        return timed

    def push_far(self, when: int, timed: Timed) -> None:
        """Schedule a far call for tick `when`."""
        if when > self.ticks:
            self._push(when, timed)
        else:
            self._due.append(timed)

    def next_far(self) -> int | None:
        """Bench time of the first far call that a leap must not pass; None if there is none."""
        calls = (when for when, _, timed in self._heap
                 if timed.far and not (timed.aside or timed.regular or timed.cancelled()))  # fmt: skip
        when = min(calls, default=None)
        return None if when is None else when + self.skipped

    def regular(self) -> list[tuple[int, Timed]]:
        """Regular calls still to be made, with their bench times; those of one owner are always at the same place."""
        calls = [(id(timed._call.__self__), when + self.skipped, timed) for when, _, timed in self._heap
                 if timed.regular and not timed.cancelled()]  # fmt: skip
        return [(when, timed) for _, when, timed in sorted(calls, key=itemgetter(0))]

    def set_regular(self, timed: Timed, when: int) -> None:
        """Such a call is made at another bench time."""
        self._heap[:] = [(when - self.skipped if one is timed else at, order, one) for at, order, one in self._heap]
        heapify(self._heap)

    def near(self) -> list[tuple[int, Timed]]:
        """All other calls still to be made, in order, with their ticks."""
        return [(when, timed) for when, _, timed in sorted(self._heap) if not (timed.far or timed.cancelled())]

    @property
    def idle(self) -> bool:
        """Is nothing more to be done at this tick?"""
        return not self._due

    def next_aside(self) -> tuple[int, AsideTimed] | None:
        """The first of the calls that a leap may make on its way, with its tick."""
        first = min((entry for entry in self._heap if entry[2].aside and not entry[2].cancelled()), default=None)
        return first and (first[0], first[2])

    def make_aside(self, timed: AsideTimed) -> None:
        """Make such a call now."""
        self._heap[:] = [entry for entry in self._heap if entry[2] is not timed]
        heapify(self._heap)
        timed._call(*timed._args)

    def skip(self, length: int) -> None:
        """Bench time goes on by so many ticks at once: far calls come nearer."""
        self.skipped += length
        self._heap[:] = [(when - length * timed.far, order, timed) for when, order, timed in self._heap]
        heapify(self._heap)


class RealClock(Clock):
    """Time as it passes, on the ordinary asyncio loop that `loop` is.

    One timer of the loop stands for the head of our heap: the loop's own heap keeps no order among
    equal deadlines.
    """

    virtual = False

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__()
        self.broken: BaseException | None = None  # what ended the simulation
        self._late_told: Callable[[int], None] | None = None
        self._loop = loop
        self._eyes = getattr(loop, "eyes", None)  # a loop of our own has some
        self._began = loop.time()
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at = 0
        self._idle: list[tuple[int, int, Callable[..., object]]] = []  # a heap too: work that can wait
        self._beside: RealClock | None = None

    def begin_beside(self) -> "RealClock":
        """Another clock on the same loop, at 0 now, for a bench beside others. What breaks it breaks this one."""
        other = RealClock(self._loop)
        other._beside = self
        return other

    def now(self) -> int:
        return ticks(self._loop.time() - self._began)

    def call_at(self, when: int, call: Callable[..., object], *args: object) -> Timed:
        timed = Timed()
        timed._call, timed._args = call, args
        self._push(max(when, self.now()), timed)
        self._set_timer()
        return timed

    def call_idle(self, when: int, call: Callable[..., object]) -> None:
        self._order += 1
        heappush(self._idle, (when, self._order, call))
        self._set_timer()

    def tell_late(self, told: Callable[[int], None]) -> None:
        self._tell_no_more()
        self._late_told = told
        if self._eyes:
            self._eyes.tell(told)

    def _tell_no_more(self) -> None:
        if self._late_told and self._eyes:
            self._eyes.tell_no_more(self._late_told)
        self._late_told = None

    def stop(self) -> None:
        """Make no more calls: the bench of this clock is over."""
        self._tell_no_more()
        self._heap.clear()
        self._idle.clear()
        if self._timer:
            self._timer.cancel()
            self._timer = None

    def _set_timer(self) -> None:
        if not (self._heap or self._idle):
            return
        head = self._next_strike()
        if self._timer:
            if self._timer_at <= head:
                return
            self._timer.cancel()
        self._timer_at = head
        self._timer = self._loop.call_at(self._began + seconds(head), self._strike)

    def _next_strike(self) -> int:
        """Tick of the next call, or of the next work that can wait if there is room for it before that."""
        if not self._idle:
            return self._heap[0][0]
        when = self._idle[0][0]
        if not self._heap:
            return when
        head = self._heap[0][0]
        start = max(when, self.now())
        return start if start + ROOM <= head or start >= when + PATIENCE else head

    def _strike(self) -> None:
        """Make every call due by now. Those it schedules in turn wait until links were read again."""
        self._timer = None
        last = self.now(), self._order
        try:
            while self._heap and self._heap[0][:2] <= last:
                when, _, call = heappop(self._heap)
                if not call.cancelled():
                    self._note(self.now() - when)
                    call._call(*call._args)
            if self._idle and self._next_strike() <= self.now():
                heappop(self._idle)[2]()  # one only: links are read before the next
        except Exception as broken:
            if self.broken:
                raise  # in somebody's clean-up: told by the loop, the first cause stands
            self.broken = broken
            if self._beside:
                self._beside.broken = broken
            self._heap.clear()
            self._loop.stop()
        self._set_timer()

    def _note(self, late: int) -> None:
        if late > LATE and self._late_told:
            self._late_told(late)


def _wake(sleeper: asyncio.Future) -> None:
    if not sleeper.done():
        sleeper.set_result(None)
