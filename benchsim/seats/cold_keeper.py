"""What the board does about cold: thermostat, TEMPERATURE, and the lock-out of perishable food.

    every 10 s ─► read the sensor ─► tell it ─► compressor and fan ─► too warm for too long: lock out

The lock-out follows FDA Food Code 2022, 3-501.16 and 4-204.111, as the kit link reference puts it: perishable duty, air above
5 °C. Warm air is tolerated while the door stands open and for 30 minutes after it was closed; at other times for 10
minutes (common practice), counted on across a loss of power. Cleared only by the service button, with the door open
and the air at or under 5 °C. Local codes decide, and a person judges the food.

Not modelled: defrosting, cooling by the clock while the sensor has failed, alarms of other kinds.
"""

from benchsim.events import TICKS_PER_SECOND, ticks

NO_COOLING, PERISHABLE, DRINKS = range(3)  # duties, kit link reference
WARM, FAILED = 1, 2  # reasons of a lock-out
MOST = 50  # tenths of °C: 41 °F, Food Code 3-501.16
GRACE = ticks(30 * 60)  # after service, Food Code 4-204.111
DEBOUNCE = 10 * 60  # seconds of warm air, common practice
PATIENCE = 60  # seconds without a good reading; common practice
SWING = 10  # tenths of °C to either side of the set-point; common practice
REST = ticks(180)  # a compressor that has stopped stays off so long; common practice
TOLD, TOLD_EVERY = 5, ticks(60)  # tenths of °C, time (at the first look of every minute); kit link reference


class ColdKeeper:
    """The cold side of one board. `cold`: the compartment, or None where there is none."""

    def __init__(self, board, cold):
        self.board, self.cold, self.clock = board, cold, board.clock
        self.stop()
        if cold:
            cold.look, cold.touches = self.look, self.touches

    @property
    def air(self) -> int | None:
        """Tenths of °C as the sensor gives them; None without a good reading."""
        reading = self.cold.reading if self.cold else None
        return None if reading is None else round(reading * 10)

    # ---- life

    def start(self) -> None:
        """The board has booted. How long the compressor has rested it cannot know."""
        self._looked = self._stopped = self.clock.bench_time()
        self.look()

    def stop(self) -> None:
        """Power off: relays fall, and what was not remembered is gone."""
        self._told: int | None = None
        self._told_at = self._looked = self._tolerant = 0
        self._stopped, self._blind, self._was = self.clock.bench_time(), 0.0, None  # _was: WARM or FAILED at the last look
        if self.cold:
            self.cold.compressor = self.cold.fan = False

    def serviced(self) -> None:
        """The door was closed."""
        self._tolerant = self.clock.bench_time() + GRACE

    def button(self) -> None:
        """The service button was pushed."""
        board, air = self.board, self.air
        if board.memory.lockout and board.door_open and air is not None and air <= MOST:
            board.memory.warm = 0.0
            board.lock_out(0)

    # ---- every 10 s

    def touches(self) -> str | None:
        """What a look now would change beside the compartment: "" nothing, "TEMPERATURE" is told and nothing else, None
        may be more."""
        if not self.board.on:
            return ""
        now, air = self.clock.bench_time(), self.air
        if air is None or air > MOST or self._was is not None or self.board.memory.warm:
            return None
        return "TEMPERATURE" if self._news(air, now) else ""

    def look(self) -> None:
        """Read, tell, cool, and see whether food was too warm for too long."""
        if not (self.cold and self.board.on):
            return
        now, air = self.clock.bench_time(), self.air
        passed, self._looked = (now - self._looked) / TICKS_PER_SECOND, now
        self._tell(air, now)
        self._cool(air, now)
        self._count(air, passed)
        self._judge(now)

    def _tell(self, air: int | None, now: int) -> None:
        if air is not None and self._news(air, now):
            self._told, self._told_at = air, now
            self.board.queue.add("TEMPERATURE", tenths=air)

    def _news(self, air: int, now: int) -> bool:
        """Is the reading to be told?"""
        return self._told is None or abs(air - self._told) >= TOLD or now // TOLD_EVERY != self._told_at // TOLD_EVERY

    def _wanted(self, air: int | None, now: int) -> tuple[bool, bool]:
        """Fan and compressor as they should be."""
        duty, wanted = self.board.memory.setpoint
        cooling, run = duty != NO_COOLING and not self.board.door_open, self.cold.compressor
        if not cooling or air is None or air <= wanted - SWING:
            run = False
        elif air >= wanted + SWING:
            run = run or now - self._stopped >= REST
        return cooling, run

    def _cool(self, air: int | None, now: int) -> None:
        cold = self.cold
        fan, run = self._wanted(air, now)
        if cold.fan != fan:
            cold.fan = fan
        if run != cold.compressor:
            cold.compressor = run
            self._stopped = self._stopped if run else now

    def _count(self, air: int | None, passed: float) -> None:
        """Time between two readings that are both too warm, or both none."""
        memory, was = self.board.memory, self._was
        self._was = FAILED if air is None else WARM if air > MOST else None
        both = passed if self._was == was else 0.0
        perishable = memory.setpoint[0] == PERISHABLE
        self._blind = self._blind + both if perishable and self._was == FAILED else 0.0
        if not perishable or self._was is None:
            memory.warm = 0.0
        elif self._was == WARM:
            memory.warm += both

    def _judge(self, now: int) -> None:
        board = self.board
        if board.memory.lockout:
            return
        if self._blind >= PATIENCE:
            board.lock_out(FAILED)
        elif board.memory.warm >= DEBOUNCE and now >= self._tolerant and not board.door_open:
            board.lock_out(WARM)
