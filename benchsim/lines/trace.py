"""Where everything that happens at the bench is told, in order of its start.

A burst is known when it ends, and several links overlap: the trace holds what has ended until nothing
that began earlier is still under way. Judge, captures and feeds are listeners.
"""

from heapq import heappop, heappush

from benchsim.events import Burst, Happening, Listener


class Trace:
    """Puts bursts and happenings of all links into one order.

    `hold`: ticks to wait before telling, where ports learn of words only after they have begun.
    """

    def __init__(self, clock, hold: int = 0):
        self.clock, self.hold = clock, hold
        self.told = 0  # start of the last thing told: nothing earlier can be told any more
        self.listeners: list[Listener] = []
        self.frozen = False
        self._open: dict[int, int] = {}  # token -> start of a burst under way
        self._held: list = []  # (start, order, burst or happening)
        self._order = 0

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
        if burst is not None:
            heappush(self._held, (burst.start, token, burst))
        self._release()

    def happening(self, seat: str, kind: str, **data) -> None:
        """Something happened off the links, now."""
        self._order += 1
        now = self.clock.now()
        heappush(self._held, (now, self._order, Happening(now, seat, kind, data)))
        self._release()

    def close(self) -> None:
        """The end: tell what is still held. Bursts under way are not told."""
        self._open.clear()
        self._release(closing=True)
        self.frozen = True

    def _release(self, closing: bool = False) -> None:
        if self.frozen:
            return
        earliest = min(self._open.values()) if self._open else None
        if self.hold and not closing:
            held_until = self.clock.now() - self.hold
            earliest = held_until if earliest is None else min(earliest, held_until)
        while self._held and (earliest is None or self._held[0][0] < earliest):
            self.told, _, what = heappop(self._held)
            for listener in self.listeners:
                if type(what) is Burst:
                    listener.burst(what)
                else:
                    listener.happening(what)
