"""asyncio's loop for real time, which knows for how long it did not look at its descriptors.

What became readable meanwhile is noted that much too late, whatever the reason was: the bench computed, another program
had the processor, a virtual machine stood still. A timed call that is late says so itself, but where none is due only
this is noticed. So while anybody measures, no look takes longer than `LOOK` if all is well.
"""

import asyncio
import selectors
from collections.abc import Callable
from time import monotonic

from benchsim.clock.clocks import LATE
from benchsim.events import TICKS_PER_MS, seconds, ticks

LOOK = TICKS_PER_MS  # one look takes so long at most
BLIND = LOOK + LATE  # what came in so long a time may be noted at its end: longer, and whoever measures is told


class Eyes(selectors.SelectSelector):
    """select() waits to the microsecond; asyncio rounds the waits of epoll up to a millisecond."""

    def __init__(self):
        super().__init__()
        self._told: list[Callable[[int], None]] = []
        self._since = 0.0  # the moment at which everything was known

    def tell(self, told: Callable[[int], None]) -> None:
        """From now on `told(ticks)` hears for how long nothing was looked at, if that is longer than `BLIND`. What was until
        now concerns those who are told already.
        """
        self._know()
        self._told.append(told)

    def tell_no_more(self, told: Callable[[int], None]) -> None:
        """Harmless twice."""
        if told in self._told:
            self._told.remove(told)

    def select(self, timeout: float | None = None):
        """The same as without us, in short looks."""
        if not self._told:
            return super().select(timeout)
        until = float("inf") if timeout is None else monotonic() + timeout
        while True:
            if self._know():
                until = self._since  # who was told may have set a timer
            ready = super().select(max(0, min(seconds(LOOK), until - self._since)))
            if self._know() or ready or self._since >= until:
                return ready

    def _know(self) -> bool:
        """A look begins or ends. Was anybody told?"""
        before, self._since = self._since, monotonic()
        away = self._since - before
        if away <= seconds(BLIND):
            return False
        for told in self._told[:]:
            told(ticks(away))
        return bool(self._told)


class RealLoop(asyncio.SelectorEventLoop):
    """`eyes` tell whoever measures of looks that came too late."""

    def __init__(self):
        self.eyes = Eyes()
        super().__init__(self.eyes)
