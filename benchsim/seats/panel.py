"""The touch panel: speaks unasked, 20 ms apart while a finger is down, once a second when idle.

Not modelled: pressure, several fingers, noise of the coordinates.
"""

from collections.abc import Callable

from benchsim.events import ticks
from benchsim.links.kit_frames import wrap
from benchsim.schema.kit import KitSpec

SPAN = 4096
TAP = ticks(0.1)


Point = tuple[int, int]


class Panel:
    """One panel. `tap(row, column, rows, columns)` is what a customer does.

    What can be wrong: `stuck` (a point that it reports as touched for good), `turned` (what it makes of the place where
    a finger is), `silent` (its word does not come out).
    """

    def __init__(self, spec: KitSpec, clock, line, trace):
        self.spec, self.clock, self.line, self.trace = spec, clock, line, trace
        self.stuck: Point | None = None
        self.turned: Callable[[int, int], Point] = lambda x, y: (x, y)
        self.silent = False
        self._at: Point = (0, 0)
        self._down = False
        self._timer = None
        self.said_at = clock.bench_time()  # the last report
        line.attach("panel", False, lambda burst: None)

    @property
    def at_rest(self) -> bool:
        """It reports, and no finger is on it."""
        return not self._down and self.stuck is None and not self.silent

    def power_on(self) -> None:
        """Reports begin."""
        self.trace.happening("panel", "power", on=True, cause=0)
        self._report()

    def power_off(self) -> None:
        """Its supply is off."""
        self.trace.happening("panel", "power", on=False, cause=0)
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
            down = self._down or self.stuck is not None
            x, y = self.stuck or self.turned(*self._at)
            if not self.silent:
                self.said_at = self.clock.bench_time()
                self.line.say("panel", tuple(self._wire(down, x, y)), now)
            if not down:
                self._timer = self.clock.call_regular(self.clock.bench_time() + self._every("heartbeat"), self._report)
                return
            wait = self._every("report")
        else:  # the report under way ends first
            wait = ticks(0.012)
        self._timer = self.clock.call_at(now + wait, self._report)

    def _wire(self, down: bool, x: int, y: int) -> bytes:
        return wrap(self.spec, self.spec.build_report(down=int(down), x=x, y=y))

    def _every(self, limit: str) -> int:
        return self.spec.limits[limit].nominal
