"""The touch panel: speaks unasked, 20 ms apart while a finger is down, once a second when idle.

Not modelled: pressure, several fingers, noise of the coordinates.
"""

from benchsim.events import ticks
from benchsim.links.kit_frames import wrap
from benchsim.schema.kit import KitSpec

SPAN = 4096
TAP = ticks(0.1)


class Panel:
    """One panel. `tap(row, column, rows, columns)` is what a customer does."""

    def __init__(self, spec: KitSpec, clock, line, trace):
        self.spec, self.clock, self.line, self.trace = spec, clock, line, trace
        self._at: tuple[int, int] = (0, 0)
        self._down = False
        self._timer = None
        line.attach("panel", False, lambda burst: None)

    def power_on(self) -> None:
        """Reports begin."""
        self._report()

    def power_off(self) -> None:
        """Cable out or supply off."""
        if self._timer:
            self._timer.cancel()
        self.line.cut("panel")
        self._timer, self._down = None, False

    def press(self, x: int, y: int) -> None:
        """A finger comes down at x, y (0 to 4095 from the top left)."""
        self._at, self._down = (x, y), True
        self.trace.happening("panel", "touch", down=1, x=x, y=y)
        self._report()

    def release(self) -> None:
        """The finger is lifted: one report tells so."""
        self._down = False
        self.trace.happening("panel", "touch", down=0, x=self._at[0], y=self._at[1])
        self._report()

    def tap(self, row: int, column: int, rows: int, columns: int) -> None:
        """Touch the middle of one cell of the selection grid for 100 ms."""
        self.trace.happening("panel", "tap", row=row, column=column)
        self.press((2 * column + 1) * SPAN // (2 * columns), (2 * row + 1) * SPAN // (2 * rows))
        self.clock.call_at(self.clock.now() + TAP, self.release)

    def _report(self) -> None:
        if self._timer:
            self._timer.cancel()
        now = self.clock.now()
        if not self.line.busy("panel"):
            x, y = self._at
            wire = wrap(self.spec, self.spec.build_report(down=int(self._down), x=x, y=y))
            self.line.say("panel", tuple(wire), now)
            wait = self.spec.limits["report" if self._down else "heartbeat"].nominal
        else:  # the report under way ends first
            wait = ticks(0.012)
        self._timer = self.clock.call_at(now + wait, self._report)
