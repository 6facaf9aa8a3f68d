"""Perishable food: what the compartment truly was, against the lock-out that the board told.

Only what is beyond a doubt of 1.5 °C is judged, and no sensor that reads astray or door switch that is stuck is held
against the board: it cannot know. Source: kit link reference, after FDA Food Code 2022, 3-501.16, 4-204.111.
"""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.door_read import DoorRead
from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment

MINUTE = 60 * TICKS_PER_SECOND
MOST, DOUBT = 5.0, 1.5  # °C: Food Code 3-501.16; of any sensor in its place, common practice
DEBOUNCE, GRACE = 10 * MINUTE, 30 * MINUTE  # common practice; Food Code 4-204.111
SLACK = MINUTE  # for readings and answers to POLL; common practice
PERISHABLE, SENSOR_FAILED = 1, 2  # duty, reason; kit link reference
LOCKED = {5}  # states in the answer to POLL, kit link reference
FREE = {1, 2, 3, 4}  # neither starting, locked out nor in service
NO_COMPARTMENT = "the bench does not see into a cold compartment here"


class Truth:
    """The compartment, door and supply as they are."""

    def __init__(self):
        self.air: float | None = None
        self.failed = self.astray = False  # the sensor
        self.bad_since: int | None = None  # surely too warm, or nobody can know
        self.doubtful_at: int | None = None  # last time it was not surely cold
        self.failed_at: int | None = None
        self.door = DoorRead()
        self.closed_at: int | None = None  # as the switch tells it
        self.powered_at = self.began = 0  # the board; the bench

    def cold(self, h) -> None:
        """The compartment."""
        was_bad = self.bad_since is not None
        self.air, sensor = h.data["air"], h.data.get("sensor", "")
        self.failed, self.astray = sensor in ("open", "short"), sensor == "astray"
        if self.failed or self.air > MOST - DOUBT:
            self.doubtful_at = h.time
        if self.failed:
            self.failed_at = h.time
        bad = self.failed or self.air > MOST + DOUBT
        self.bad_since = (self.bad_since if was_bad else h.time) if bad else None

    def moved(self, h) -> None:
        """The door or its switch."""
        if self.door.changed(h) and not self.door.reads:
            self.closed_at = h.time

    def since(self, tick: int | None, now: int) -> int:
        """Ticks that have passed."""
        return now - (self.began if tick is None else tick)

    def age(self, length: int) -> None:
        """So many ticks were leapt over."""
        for name in ("bad_since", "doubtful_at", "failed_at", "closed_at", "powered_at", "began"):
            if (tick := getattr(self, name)) is not None:
                setattr(self, name, tick - length)


@rule("SYS-COLD", judged="board", link="kit", source="FDA Food Code 2022, 3-501.16, 4-204.111; kit link reference",
      unseen="no perishable food was in the machine, or it was cold for less than ten minutes")  # fmt: skip
def cold(tally, judge):
    """Perishable duty: air that cannot be held at or under 5 °C locks the sale out, after ten minutes, or thirty
    after service; nothing but the service button clears it, with the door open and the air cold again.
    """
    spec, board, truth = judge.book.kit, judge.book.kit.answers, Truth()
    duty = duty_since = None
    locked = None  # as the board tells it
    free_at = None  # last time it told that nothing is locked out
    may_clear = must_clear = None  # since when
    accused = False  # of this warm time

    def surely(state, among) -> bool:
        return spec.values.told("state", state) <= among

    def answer(x, heard):
        nonlocal duty, duty_since
        if x.name == "SETPOINT" and x.ok and x.first.message is not None and x.fields["duty"] != duty:
            duty, duty_since = x.fields["duty"], heard.start

    def events(x, heard, fresh):
        if truth.air is None or x.repeat:
            return
        for event in fresh:
            if event.name == "LOCKOUT":
                is_set(heard, event.fields["reason"]) if event.fields["set"] else is_cleared(heard)
        state = heard.message.fields["state"]
        if surely(state, LOCKED) and not locked:
            is_set(heard, None)
        elif surely(state, FREE):
            if locked:
                is_cleared(heard)
            unlocked(heard)
        elif surely(state, LOCKED) and must_clear is not None and truth.since(must_clear, heard.start) > SLACK:
            stays(heard)

    def is_set(heard, reason):
        nonlocal locked, may_clear, must_clear
        if locked is False:
            why = groundless(heard.start, reason)
            tally.check(board, not why, heard, why)
        locked, may_clear, must_clear = True, None, None

    def groundless(now, reason) -> str:
        if duty is None or truth.astray:
            return ""
        if duty != PERISHABLE:
            return "locks out what is not perishable"
        if reason == SENSOR_FAILED and truth.since(truth.failed_at, now) > 2 * SLACK and not truth.failed:
            return "tells a failed sensor, and it is good"
        if truth.since(truth.doubtful_at, now) > SLACK and not truth.failed and truth.air <= MOST - DOUBT:
            return f"locks out food in air of {truth.air} °C"
        seen = truth.closed_at is not None and free_at is not None and free_at > truth.closed_at > truth.powered_at
        if seen and not truth.door.stuck and reason != SENSOR_FAILED and now - truth.closed_at < GRACE - SLACK:
            return f"locks out {(now - truth.closed_at) // MINUTE} min after service"
        return ""

    def is_cleared(heard):
        nonlocal locked, must_clear
        if locked:
            right = may_clear is not None or truth.astray or truth.door.stuck
            tally.check(board, right, heard, "" if right else "cleared without the service button, the door open and cold air")
        locked, must_clear = False, None

    def stays(heard):
        nonlocal must_clear
        tally.check(board, False, heard, "the service button was pushed, door open and air cold, and it stays locked out")
        must_clear = None

    def unlocked(heard):
        nonlocal locked, free_at, accused
        locked, free_at = False, heard.start
        if truth.bad_since is None:
            accused = False
        if accused or duty != PERISHABLE or truth.bad_since is None or truth.astray or truth.door.stuck or truth.door.open:
            return
        due = max(truth.bad_since, truth.powered_at, duty_since) + DEBOUNCE
        if truth.closed_at is not None:
            due = max(due, truth.closed_at + GRACE + DEBOUNCE)
        if heard.start > due + SLACK:
            accused = True
            what = "its sensor has failed" if truth.failed else f"its air is at {truth.air} °C"
            tally.check(board, False, heard, f"not locked out, and {what} for {(heard.start - truth.bad_since) // MINUTE} min")

    def button(h):
        nonlocal may_clear, must_clear
        if not (locked and truth.door.open) or truth.failed or truth.air is None:
            return
        if truth.air <= MOST + DOUBT:
            may_clear = h.time
        if truth.air <= MOST - DOUBT and not (truth.astray or truth.door.stuck) and truth.since(truth.powered_at, h.time) > SLACK:
            must_clear = h.time

    def power(h):
        if h.seat == board and h.data["on"]:
            truth.powered_at = h.time

    def leap(length):
        nonlocal duty_since
        truth.age(length)
        duty_since = duty_since and duty_since - length

    def waits():
        return (truth.bad_since is not None and duty == PERISHABLE) or must_clear is not None

    def end(tick):
        if truth.air is None:
            tally.unseen(board, NO_COMPARTMENT)
        elif locked is False and duty == PERISHABLE and not accused and tick - duty_since > DEBOUNCE:
            tally.check(board, True, Moment(tick, f"not locked out, air at {truth.air} °C"))

    return {
        "kit.answer": answer, "kit.events": events, "happening.cold": truth.cold, "happening.door": truth.moved,
        "happening.door-switch": truth.moved, "happening.button": button, "happening.power": power, "end": end,
        "leap": leap, "open": waits,
    }  # fmt: skip
