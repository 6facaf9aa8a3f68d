"""The coil matrix and the delivery sensor: a vend turns one coil once, a product falls, or does not.

Not modelled yet: drive currents, ghost coils of a row-to-row short, the survey's scan times per coil.
Times are common practice for helical coils of snack machines.
"""

from benchsim.events import ticks

TURN = ticks(1.4)  # a whole turn, home switch to home switch
FALL = ticks(0.35)  # the product leaves the coil near the end of the turn
LOOK = ticks(0.6)  # the sensor is watched this long after the turn
SURVEY_STEP = ticks(0.02)


class Coils:
    """Rows by columns of coils. `missing` and `empty` are sets of (row, column)."""

    def __init__(self, clock, trace, rows: int, columns: int):
        self.clock, self.trace, self.rows, self.columns = clock, trace, rows, columns
        self.missing: set[tuple[int, int]] = set()
        self.empty: set[tuple[int, int]] = set()
        self.jammed: set[tuple[int, int]] = set()
        self._turning = None

    def turn(self, row: int, column: int, done) -> None:
        """Turn one coil; `done(outcome)` with 0 delivered, 1 no drop seen, 2 coil did not turn."""
        where = row, column
        self.trace.happening("machine", "coil", row=row, column=column, state="start")
        now = self.clock.now()
        if where in self.missing or where in self.jammed:
            timers = [self.clock.call_at(now + TURN, self._end, where, done, 2)]
        else:
            outcome = 1 if where in self.empty else 0
            timers = [self.clock.call_at(now + TURN + LOOK, self._end, where, done, outcome)]
            if not outcome:
                timers.append(self.clock.call_at(now + TURN - FALL, self._drop, where))
        self._turning = where, timers

    def stop(self) -> None:
        """Power off or door open: the drive stops where it is."""
        if self._turning:
            (row, column), timers = self._turning
            for timer in timers:
                timer.cancel()
            self._turning = None
            self.trace.happening("machine", "coil", row=row, column=column, state="stop")

    def survey(self) -> list[int]:
        """Column bits of every row that has a coil, bit 0 = column 0."""
        return [
            sum(1 << c for c in range(self.columns) if (r, c) not in self.missing) for r in range(self.rows)
        ]

    def _drop(self, where) -> None:
        self.trace.happening("machine", "drop", row=where[0], column=where[1])

    def _end(self, where, done, outcome: int) -> None:
        self._turning = None
        self.trace.happening("machine", "coil", row=where[0], column=where[1], state="stop")
        done(outcome)
