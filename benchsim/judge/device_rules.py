"""Changer and validator, and how the controller handles them. Source: MDB/ICP 4.3 §5, §6.

What a device tells counts once, when it was acknowledged: until then it is offered again.
"""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.registry import rule

TO_BOX, TO_TUBE = 0, 1  # routes of COIN DEPOSITED that give credit
STACKED, ESCROW, RETURNED, RECYCLED = range(4)  # routes of BILL
BILL_ERRORS = ("MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "BILL REMOVED", "CASH BOX OUT", "INVALID ESCROW REQUEST",
               "REJECTED", "CREDITED BILL REMOVAL")  # fmt: skip


def delivered(x) -> bool:
    """Did the controller take and acknowledge the data of the last answer?"""
    return x.kind == "answer" and x.answer.intact and not x.offered and not x.unfit


def resets(judge, clear, unsure=None) -> dict:
    """Calls that `clear(seat)` at a break, and at a loss of power (or `unsure(seat)`: the controller's may be
    the device's, or not)."""
    at_power = unsure or clear
    out = judge.links["bus"].out

    def broke(h):
        if h.out:
            for seat in judge.present:
                clear(seat)

    def power(seat, on):
        for one in judge.present if seat == out else [seat]:
            at_power(one)

    return {"bus.break": broke, "bus.power": power}


class Steps:
    """What was done since a device's JUST RESET. Unknown before the first reset that was heard."""

    def __init__(self):
        self._done: dict[str, set[str]] = {}

    def fresh(self, seat: str) -> None:
        """A reset: nothing is done yet."""
        self._done[seat] = set()

    def forget(self, seat: str) -> None:
        """Whether it was reset is not known."""
        self._done.pop(seat, None)

    def add(self, seat: str, step: str) -> None:
        """Something was done."""
        if seat in self._done:
            self._done[seat].add(step)

    def lacking(self, seat: str, wanted: tuple[str, ...]) -> list[str] | None:
        """What is still to be done; None where it is not known."""
        return None if seat not in self._done else [step for step in wanted if step not in self._done[seat]]


def _start(tally, judge, kind: str, wanted: tuple[str, ...], enables) -> dict:
    """The calls of a rule "after JUST RESET `wanted` before a command that `enables` anything"."""
    steps = Steps()

    def ours(x) -> bool:
        return x.known is not None and x.known.device is not None and x.known.device.name == kind

    def command(x):
        if not ours(x) or x.message is None or x.repeat or not enables(x.message):
            return
        lacking = steps.lacking(x.seat, wanted)
        if lacking is not None:
            tally.check(x.command.seat, not lacking, x.command, f"before {' and '.join(lacking)}" if lacking else "")

    def told(x, h):
        """The controller knows what reached it, whether its ACK did or not. What it makes of an answer in no form that
        the step has is not known.
        """
        if ours(x) and h.intact and x.unfit and x.name in wanted:
            steps.forget(x.seat)
        elif ours(x) and h.intact and not x.unfit:
            learnt(x)

    def replied(x):
        """An answer that came too late by our clock reached it all the same if it says so."""
        if ours(x) and x.answer.fault == "late" and not x.offered and not x.unfit:
            learnt(x)

    def learnt(x):
        for message in x.messages:
            if message.name == "JUST RESET":
                steps.fresh(x.seat)
            steps.add(x.seat, "SETUP CONFIG" if message.name == "CONFIG" else message.name)

    def done(x):
        if ours(x) and x.name == "RESET" and x.command.intact:
            steps.fresh(x.seat)
        elif ours(x) and x.kind == "ack" and x.name:
            steps.add(x.seat, x.name)

    calls = {"command": command, "answer": told, "reply": replied, "done": done}
    return {f"bus.{what}.{kind}": call for what, call in calls.items()} | resets(judge, steps.forget)


@rule("CHG-START", judged="controller", link="bus", source="MDB/ICP 4.3 §5", confidence="B")
def changer_start(tally, judge):
    """After JUST RESET come SETUP and TUBE STATUS before COIN TYPE enables anything."""
    return _start(tally, judge, "changer", ("SETUP", "TUBE STATUS"),
                  lambda m: m.name == "COIN TYPE" and m.fields["accept"])  # fmt: skip


@rule("BIL-START", judged="controller", link="bus", source="MDB/ICP 4.3 §6", confidence="B")
def validator_start(tally, judge):
    """After JUST RESET comes SETUP before BILL TYPE enables anything."""
    return _start(tally, judge, "validator", ("SETUP",), lambda m: m.name == "BILL TYPE" and m.fields["enable"])


@rule("CSH-START", judged="controller", link="bus", source="MDB/ICP 4.3 §7", confidence="B")
def cashless_start(tally, judge):
    """After JUST RESET come both SETUPs before READER enable."""
    return _start(tally, judge, "cashless", ("SETUP CONFIG", "SETUP PRICES"), lambda m: m.name == "READER ENABLE")


class Enabled:
    """Which types a device may take. Unknown before the first reset or enabling that was heard."""

    def __init__(self, command: str, field: str):
        self._command, self._field = command, field
        self._masks: dict[str, set[int]] = {}  # all that may be in force
        self._off: dict[tuple[str, int], int] = {}  # (seat, type) -> when it was disabled

    def clear(self, seat: str, now: int) -> None:
        """A reset disables everything."""
        self._set(seat, {0}, now)

    def forget(self, seat: str) -> None:
        """Whether it was reset is not known."""
        self._masks.pop(seat, None)

    def done(self, x) -> None:
        """An exchange: what it may have changed."""
        if x.name in ("RESET", self._command):
            new = 0 if x.name == "RESET" else x.message.fields[self._field]
            if x.kind == "ack" and x.answer.intact:
                self._set(x.seat, {new}, x.command.end)
            elif x.seat in self._masks:
                self._masks[x.seat].add(new)

    def _set(self, seat: str, masks: set[int], now: int) -> None:
        before = self._masks.get(seat, set())
        for bit in range(16):
            if any(mask >> bit & 1 for mask in before) and not any(mask >> bit & 1 for mask in masks):
                self._off[seat, bit] = now
        self._masks[seat] = masks

    def allows(self, seat: str, bit: int) -> bool | None:
        """Is that type enabled? None: not known."""
        if seat not in self._masks:
            return None
        return any(mask >> bit & 1 for mask in self._masks[seat])

    def age(self, length: int) -> None:
        """So many ticks were leapt over."""
        self._off = {which: since - length for which, since in self._off.items()}

    def since_off(self, seat: str, bit: int, now: int) -> int | None:
        """For how long it has been disabled, ticks; None: it never was enabled."""
        off = self._off.get((seat, bit))
        return None if off is None else now - off


def _enabling(tally, judge, device: str, enabled: Enabled, taken) -> dict:
    """The calls of a rule "nothing is taken whose type is disabled"; `taken(seat, message)` gives its type."""
    on_its_way = judge.book.devices[device].limits["disabled"].high + judge.links["bus"].uncertainty

    def told(x):
        if not delivered(x) or not ours(x):
            return
        for message in x.messages:
            if message.name == "JUST RESET":
                enabled.clear(x.seat, x.answer.start)
            bit = taken(x.seat, message)
            allowed = None if bit is None else enabled.allows(x.seat, bit)
            if allowed is not None:
                off = enabled.since_off(x.seat, bit, x.answer.start)
                late = off is not None and off <= on_its_way
                tally.check(x.seat, allowed, x.answer, "" if allowed else f"type {bit} is disabled", warn=late)

    def ours(x):
        return x.known is not None and x.known.device is not None and x.known.device.name == device

    def done(x):
        if ours(x) and x.message:
            enabled.done(x)

    return {f"bus.reply.{device}": told, f"bus.done.{device}": done, "leap": enabled.age} | resets(
        judge, lambda seat: enabled.clear(seat, judge.now), enabled.forget
    )


@rule("CHG-ENABLED", judged="changer", link="bus", source="MDB/ICP 4.3 §5")
def coins_enabled(tally, judge):
    """There is no credit for a coin type that is not enabled (a coin on its way only warns)."""

    def taken(seat, message):
        gives = message.name == "COIN DEPOSITED" and message.fields["route"] in (TO_BOX, TO_TUBE)
        return message.fields["coin"] if gives else None

    return _enabling(tally, judge, "changer", Enabled("COIN TYPE", "accept"), taken)


@rule("BIL-ENABLED", judged="validator", link="bus", source="MDB/ICP 4.3 §6")
def bills_enabled(tally, judge):
    """No new bill is taken in while its type is disabled (a bill on its way only warns)."""
    held = {}  # seat -> type of the bill in escrow

    def taken(seat, message):
        if message.name == "JUST RESET":
            held.pop(seat, None)
        if message.name != "BILL":
            return None
        route, bill = message.fields["route"], message.fields["bill"]
        if route == ESCROW:
            held[seat] = bill
            return bill
        new = held.pop(seat, None) != bill
        return bill if new and route in (STACKED, RECYCLED) else None

    return _enabling(tally, judge, "validator", Enabled("BILL TYPE", "enable"), taken)


@rule("BIL-ESCROW", judged="validator", link="bus", limit="validator.escrow")
def escrow_ends(tally, judge):
    """After ESCROW the outcome is told within 30 s. A validator can only speak when asked, so it is late at the first
    POLL after that time which it answers without."""
    limit = judge.book.devices["validator"].limits["escrow"].high
    asked = {}  # seat -> [the ESCROW that waits for its outcome, when it was last asked in vain]
    held = set()  # seats with a bill in escrow; never iterated

    def done(x):
        if x.name == "RESET":
            forget(x.seat)

    def answered(x, h):
        if not h.intact or x.unfit:
            return
        if x.name == "ESCROW" and x.kind == "ack" and x.seat in held and x.seat not in asked:
            asked[x.seat] = [x, x.command.end]
        for message in x.messages:
            if message.name == "BILL" and message.fields["route"] == ESCROW:
                held.add(x.seat)
            elif message.name == "BILL" or message.name in BILL_ERRORS:
                held.discard(x.seat)
                ended(x, h)
            elif message.name == "JUST RESET":
                forget(x.seat)
        if x.name == "POLL" and x.kind != "nak" and x.seat in asked:
            in_vain(x, h)

    def ended(x, h):
        escrow, before = asked.pop(x.seat, (None, 0))
        if escrow is None:
            return
        took = h.start - escrow.command.end
        if took > limit and before - escrow.command.end <= limit and h.start - before > judge.book.bus.limits["poll"].high:
            return  # nobody had asked for so long that it may have known for long
        tally.measure(x.seat, took, h)

    def in_vain(x, h):
        escrow, _ = asked[x.seat]
        took = h.start - escrow.command.end
        if took - judge.doubt("bus", escrow.command.end, h.start) > limit:
            forget(x.seat)
            tally.check(x.seat, False, h, f"no outcome within {limit // TICKS_PER_SECOND} s")
        else:
            asked[x.seat][1] = h.start

    def forget(seat):
        asked.pop(seat, None)
        held.discard(seat)

    return {"bus.done.RESET": done, "bus.answer.validator": answered, "open": lambda: bool(asked)} | resets(judge, forget)


@rule("BIL-ESCROW-ONCE", judged="controller", link="bus", source="MDB/ICP 4.3 §6")
def escrow_once(tally, judge):
    """There is one ESCROW for one bill in escrow, and none without. One whose answer was lost may be repeated."""
    bills = {}  # seat -> "none", "held", "asked"; nothing where it is not known

    def command(x):
        if x.name != "ESCROW" or x.repeat or x.seat not in bills:
            return
        why = {"none": "no bill is in escrow", "asked": "its fate was already told"}.get(bills[x.seat], "")
        tally.check(x.command.seat, not why, x.command, why)
        bills[x.seat] = "asked" if bills[x.seat] == "held" else bills[x.seat]

    def done(x):
        if x.name == "ESCROW" and bills.get(x.seat) == "asked" and (x.answer is None or not x.answer.intact):
            bills.pop(x.seat)  # whether it was heard only the validator knows
        elif x.name == "ESCROW" and bills.get(x.seat) == "asked" and x.kind == "nak":
            bills[x.seat] = "held"
        elif x.name == "RESET":
            bills.pop(x.seat, None)

    def told(x, h):
        if not h.intact or x.unfit:
            return
        for message in x.messages:
            if message.name == "BILL":
                bills[x.seat] = "held" if message.fields["route"] == ESCROW else "none"
            elif message.name in BILL_ERRORS:
                bills.pop(x.seat, None)  # whether a bill still lies there only the validator knows
            elif message.name == "JUST RESET" and x.seat == "validator":
                bills[x.seat] = "none"

    return {"bus.command.ESCROW": command, "bus.done.validator": done, "bus.answer.validator": told} | resets(
        judge, lambda seat: bills.pop(seat, None)
    )
