"""Where everything that happens at the bench is told, in order of its start.

A burst is known when it ends, and several links overlap: the trace holds what has ended until nothing
that began earlier is still under way. Judge, captures and feeds are listeners.
"""

from heapq import heappop, heappush

from benchsim.events import TICKS_PER_MS, TICKS_PER_US, Burst, Happening, Listener

AGAIN = TICKS_PER_MS  # until it is looked again whether what is under way is over


class Trace:
    """Puts bursts and happenings of all links into one order.

    `hold`: ticks to wait before telling, where ports learn of words only after they have begun. It is told then by
    the clock, a little at a time and seldom while an answer is due: listeners take longer than an answer may.
    """

    def __init__(self, clock, hold: int = 0):
        self.clock, self.hold = clock, hold
        self.told = 0  # start of the last thing told: nothing earlier can be told any more
        self.listeners: list[Listener] = []
        self.frozen = False
        self._open: dict[int, int] = {}  # token -> start of a burst under way
        self._held: list = []  # (start, order, burst or happening)
        self._order = 0
        self._waiting = False  # for the clock to tell what is held

    def begin(self, start: int) -> int:
        """A burst starts (or is about to, at `start`). Returns a token for `end`."""
        self._order += 1
        self._open[self._order] = start
        return self._order

    def end(self, token: int, burst: Burst | None) -> None:
        """The burst of `token` is over; None if nothing of it was sent."""
        if self.frozen:  # it was still under way when the end came: not told
            return
        del self._open[token]
        if burst is not None and not (self._held or self._open or self.hold):  # the usual case: nothing to put in order
            self.told = burst.start
            for listener in self.listeners:
                listener.burst(burst)
            return
        if burst is not None:
            heappush(self._held, (burst.start, token, burst))
        self._tell_some()

    def happening(self, seat: str, kind: str, **data) -> None:
        """Something happened off the links, now."""
        self._order += 1
        now = self.clock.now()
        heappush(self._held, (now, self._order, Happening(now, seat, kind, data)))
        self._tell_some()

    def late(self, length: int, **who) -> None:
        """The bench stalled for so many ticks until now: times taken meanwhile are doubted wherever they are judged."""
        self.happening("bench", "late", us=length // TICKS_PER_US, **who)

    def close(self) -> None:
        """The end: tell what is still held. Bursts under way are not told."""
        self._open.clear()
        self._tell_all()
        self.frozen = True

    def _tell_some(self) -> None:
        """What may be told, now or as soon as it was held long enough."""
        if not self.hold:
            self._tell_all()
        elif self._held and not self._waiting and not self.frozen:
            self._waiting = True
            look_again = 0 if self._is_next() else self.clock.now() + AGAIN
            self.clock.call_idle(max(self._held[0][0] + self.hold, look_again), self._tell_one)

    def _tell_one(self) -> None:
        self._waiting = False
        if self._is_next() and self._held[0][0] + self.hold <= self.clock.now():
            self._tell_next()
        self._tell_some()

    def _tell_all(self) -> None:
        while self._is_next():
            self._tell_next()

    def _is_next(self) -> bool:
        """Is something held, and nothing under way that began before it?"""
        if self.frozen or not self._held:
            return False
        return not self._open or self._held[0][0] < min(self._open.values())

    def _tell_next(self) -> None:
        self.told, _, what = heappop(self._held)
        for listener in self.listeners:
            if type(what) is Burst:
                listener.burst(what)
            else:
                listener.happening(what)
