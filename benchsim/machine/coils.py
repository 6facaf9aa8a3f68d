"""The coils: a vend drives one position of the matrix until its home switch closes again, and a product falls.

    drive ─► wiring ─► the coils it reaches turn ─► home switches (wired back the same way) ─► the board's reading
                                └─► a product leaves near the end of the turn ─► light curtain

The board knows the current, one reading of the home switch and the curtain; every outcome follows from these.
A switch is closed at home and open in between; of coils driven together the board reads closed if any is.
Times and currents are common practice for helical coils of snack machines.

Not modelled: a belt or lift, coils that were put in at the wrong angle.
"""

from collections.abc import Callable

from benchsim.events import ticks
from benchsim.machine.delivery import LightCurtain
from benchsim.machine.supply import Supply
from benchsim.machine.wiring import Position, Wiring

TURN = ticks(1.4)  # a whole turn, home switch to home switch
FALL = ticks(0.35)  # the product leaves the coil near the end of the turn
LOOK = ticks(0.6)  # the curtain is watched this long after the turn
SURVEY_STEP = ticks(0.02)  # a pulse at each position, too short to turn a coil off its switch
LEAVES = 0.08  # of a turn: the switch opens
DROPS = 1 - FALL / TURN  # of a turn: the product leaves
GIVE_UP = 5 * TURN // 2  # longest drive of one turn
RUNNING, STALLED, FOUND = 0.35, 1.2, 0.1  # amperes: a coil that turns, one that is held, least that counts as one
FULL_SPEED = 24.0  # volts down to which the drive keeps the speed
DELIVERED, NO_DROP, NOT_TURNED, NOT_HOME = range(4)  # outcomes, kit link reference
OPEN, CLOSED = "open", "closed"  # what a broken home switch reads for good


class Coils:
    """Rows by columns of coils.

    `missing`, `empty` and `jammed` are sets of (row, column); `stalls` tells at which part of a turn a coil is
    held (0 to 1); `switch` holds broken home switches, OPEN or CLOSED. `spread` (0 to 0.5) and `rng` give
    every coil a speed of its own.
    """

    def __init__(self, clock, trace, rows: int, columns: int, supply: Supply | None = None, rng=None, spread: float = 0):
        self.clock, self.trace, self.rows, self.columns = clock, trace, rows, columns
        self.supply = supply or Supply(clock, trace)
        self.wiring = Wiring(rows, columns)
        self.curtain = LightCurtain(clock, rows)
        self.missing: set[Position] = set()
        self.empty: set[Position] = set()
        self.jammed: set[Position] = set()
        self.stalls: dict[Position, float] = {}
        self.switch: dict[Position, str] = {}
        self.angle: dict[Position, float] = {}  # of a turn, for coils that rest off home
        self.pace: dict[Position, float] = {}  # time of a turn, 1 = TURN
        if spread:
            cells = [(row, column) for row in range(rows) for column in range(columns)]
            self.pace = {where: 1 + rng.uniform(-spread, spread) for where in cells}
        self._drive: Drive | None = None
        self._survey = None  # the timed call of its next step

    def turn(self, row: int, column: int, done: Callable[[int], None]) -> None:
        """Turn what the board takes for one coil; `done(outcome)`, an outcome of VEND-DONE from 0 to 3."""
        self._drive = Drive(self, (row, column), done)
        self._drive.begin()

    @property
    def turning(self) -> bool:
        """Is a position driven just now?"""
        return self._drive is not None

    def stop(self) -> None:
        """Power off or door open: everything stops where it is, a survey too."""
        if self._drive:
            self._drive.end()
            self._drive = None
        if self._survey:
            self._survey.cancel()
            self._survey = None
            self.supply.draw("survey", 0)

    def fitted(self, row: int, column: int) -> list[Position]:
        """Coils that get current when the board drives a position."""
        return [where for where in self.wiring.reached(row, column) if where not in self.missing]

    # ---- survey: a pulse at each position, and a look at the current

    def survey(self, done: Callable[[list[int]], None]) -> None:
        """Pulse every position in turn; `done(rows)` with the column bits of each row, bit 0 = column 0."""
        self._pulse(0, [0] * self.rows, done)

    def _pulse(self, step: int, found: list[int], done) -> None:
        row, column = divmod(step, self.columns)
        amps = STALLED * len(self.fitted(row, column))  # a coil draws what a held one does until it moves
        self._survey = self.clock.call_at(self.clock.now() + SURVEY_STEP, self._pulsed, step, found, amps, done)
        self.supply.draw("survey", amps)

    def _pulsed(self, step: int, found: list[int], amps: float, done) -> None:
        row, column = divmod(step, self.columns)
        found[row] |= (amps >= FOUND) << column
        if step + 1 < self.rows * self.columns:
            self._pulse(step + 1, found, done)
            return
        self._survey = None
        self.supply.draw("survey", 0)
        done(found)


class Moving:
    """A coil under drive: at tick `at` it was `angle` of a turn from home, and takes `turn` ticks for a whole one."""

    __slots__ = ("angle", "at", "closed", "held", "turn")

    def __init__(self, angle: float, at: int, turn: int, held: float | None):
        self.angle, self.at, self.turn, self.held = angle, at, turn, held
        self.closed = angle < LEAVES

    def when(self, angle: float) -> int | None:
        """Tick at which it comes by that angle in this turn; None if it is past or it is held before."""
        if angle < self.angle or (self.held is not None and angle > self.held):
            return None
        return self.at + round((angle - self.angle) * self.turn)

    def angle_at(self, now: int) -> float:
        """Where it is, 0 (home) to below 1."""
        angle = self.angle + (now - self.at) / self.turn
        return (angle if self.held is None else min(angle, self.held)) % 1


class Drive:
    """One position driven: until home was left and reached again, or until a time is over.

    A coil that did not rest at home is first taken there; if nothing fell on the way it turns once more.
    """

    def __init__(self, coils: Coils, position: Position, done):
        self.coils, self.clock, self.position, self.done = coils, coils.clock, position, done
        self.moving: dict[Position, Moving] = {}
        self._timers: list = []
        self._left = self._off_home = self._resting = False

    def begin(self) -> None:
        """Switch the drive on."""
        coils, now = self.coils, self.clock.now()
        coils.curtain.watch()
        driven = coils.fitted(*self.position)
        held = [where for where in driven if where in coils.jammed]
        coils.supply.draw("coil", RUNNING * (len(driven) - len(held)) + STALLED * len(held))
        slow = max(1.0, FULL_SPEED / max(coils.supply.valley, 1.0))
        for where in driven:
            self._told(where, "start")
            turn = round(TURN * coils.pace.get(where, 1.0) * slow)
            angle = coils.angle.pop(where, 0.0)
            stall = angle if where in coils.jammed else coils.stalls.get(where)
            self.moving[where] = Moving(angle, now, turn, stall)
            self._round(where)
        self._left = self._off_home = bool(driven) and not self._reads_home()
        self._await(now)

    def end(self) -> None:
        """Switch it off and let go of the position; "stop" is told here, after the look."""
        self._rest()
        for where in self.moving:
            self._told(where, "stop")
        self.moving.clear()

    def _rest(self) -> None:
        """No current: what turned rests where it is."""
        for timer in self._timers:
            timer.cancel()
        if self._resting:
            return
        self._resting, now = True, self.clock.now()
        for where, coil in self.moving.items():
            if angle := coil.angle_at(now):
                self.coils.angle[where] = angle
        self.coils.supply.draw("coil", 0)

    # ---- the coils that it reaches

    def _round(self, where: Position) -> None:
        """What comes in the turn that a coil is in."""
        coil = self.moving[where]
        if coil.closed:
            self._at(coil.when(LEAVES), self._opens, coil)
        drops = not self.coils.wiring.exchanged  # driven backwards a coil pulls its products in
        if drops and where not in self.coils.empty:
            self._at(coil.when(DROPS), self._drop, where)
        self._at(coil.when(1.0), self._arrives, where)

    def _opens(self, coil: Moving) -> None:
        coil.closed = False
        self._look()

    def _arrives(self, where: Position) -> None:
        coil = self.moving[where]
        coil.angle, coil.at, coil.closed = 0.0, self.clock.now(), True
        self._look()
        if not self._resting:
            self._round(where)

    def _drop(self, where: Position) -> None:
        self.coils.trace.happening("machine", "drop", row=where[0], column=where[1])
        self.coils.curtain.fall(where[0])

    # ---- what the board makes of it

    def _reads_home(self) -> bool:
        broken = self.coils.switch
        return any(broken.get(where, CLOSED if coil.closed else OPEN) == CLOSED for where, coil in self.moving.items())

    def _look(self) -> None:
        if not self._left:
            self._left = not self._reads_home()
        elif self._reads_home():
            self._home()

    def _home(self) -> None:
        if self._off_home and self.coils.curtain.seen is None:
            self._off_home = self._left = False
            self._await(self.clock.now())
            return
        self._rest()
        self._at(self.clock.now() + LOOK, self._watched)

    def _await(self, now: int) -> None:
        """The times after which the board gives up."""
        for tick, outcome, call in ((now + TURN, NOT_TURNED, self._still), (now + GIVE_UP, NOT_HOME, self._finish)):
            self._at(tick, call, outcome)

    def _still(self, outcome: int) -> None:
        if not self._left:
            self._finish(outcome)

    def _watched(self) -> None:
        self._finish(NO_DROP if self.coils.curtain.seen is None else DELIVERED)

    def _finish(self, outcome: int) -> None:
        self.end()
        self.coils._drive = None
        self.done(outcome)

    def _at(self, tick: int | None, call, *args) -> None:
        if tick is not None:
            self._timers.append(self.clock.call_at(tick, call, *args))

    def _told(self, where: Position, state: str) -> None:
        self.coils.trace.happening("machine", "coil", row=where[0], column=where[1], state=state)
