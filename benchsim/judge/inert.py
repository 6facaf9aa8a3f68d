"""A block with a wrong checksum changes nothing: neither its answer nor what the device does later shows it was obeyed.

    bad COIN TYPE ─► coin of a type that only it enables      bad DISPENSE ─► payout busy
    bad ESCROW ─► bill stacked or returned as it asks         bad RESET ─► JUST RESET

Such a sign counts only where nothing else explains it: no intact command of the same kind since, and before it the
device is known to have had no cause. Source: MDB/ICP 4.3 §2.
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.device_rules import ESCROW, RETURNED, STACKED, TO_BOX, TO_TUBE, resets
from benchsim.judge.registry import rule
from benchsim.schema import Misfit

SHOWS = 2 * TICKS_PER_SECOND  # a sign this long after the bad command is no longer put down to it; common practice
MOVES = 30 * TICKS_PER_SECOND  # the same for a bill, MDB/ICP 4.3 §6


class Sign(NamedTuple):
    """How a device shows that it obeyed. `idle(state)`: it had no cause before; `seen(bad, message, state)`."""

    idle: Callable
    seen: Callable
    within: int = SHOWS


class State:
    """What of a device bears on the signs, from intact traffic alone. None: not known."""

    def __init__(self):
        self.settled = False  # its JUST RESET is not awaited
        self.paying: bool | None = None  # a payout is under way
        self.types: int | None = None  # enabled coin or bill types
        self.held: bool | None = None  # a bill lies in escrow, and its fate was not told
        self.enabled: bool | None = None  # a reader
        self.asked: bool | None = None  # a vend was asked for and not decided

    def reset(self) -> None:
        """After RESET or JUST RESET."""
        self.settled, self.types = False, 0
        self.paying = self.held = self.enabled = self.asked = False


def _type_told(bad, message, state) -> bool:
    """A coin or bill that only the bad command can have enabled."""
    fields = message.fields
    if message.name == "COIN DEPOSITED" and fields["route"] in (TO_BOX, TO_TUBE):
        return bool(bad["accept"] >> fields["coin"] & ~state.types >> fields["coin"] & 1)
    if message.name == "BILL" and fields["route"] in (ESCROW, STACKED) and not state.held:
        return bool(bad["enable"] >> fields["bill"] & ~state.types >> fields["bill"] & 1)
    return False


def _fate_told(bad, message, state) -> bool:
    return message.name == "BILL" and message.fields["route"] == (STACKED if bad["stack"] else RETURNED)


_ENABLES = Sign(lambda s: s.types is not None, _type_told, MOVES)
_PAYS = Sign(lambda s: s.paying is False, lambda bad, m, s: m.name == "PAYOUT BUSY")
SIGNS = {
    "RESET": Sign(lambda s: s.settled, lambda bad, m, s: m.name == "JUST RESET", MOVES),
    "COIN TYPE": _ENABLES, "BILL TYPE": _ENABLES, "DISPENSE": _PAYS, "PAYOUT": _PAYS,
    "ESCROW": Sign(lambda s: s.held is True, _fate_told, MOVES),
    "READER ENABLE": Sign(lambda s: s.enabled is False, lambda bad, m, s: m.name == "BEGIN SESSION", MOVES),
    "VEND REQUEST": Sign(lambda s: s.asked is False, lambda bad, m, s: m.name in ("VEND APPROVED", "VEND DENIED"), MOVES),
}  # fmt: skip
# Commands after which a sign of the bad one is explained, beside an intact one of its own name.
SAME = {"DISPENSE": "PAYOUT", "PAYOUT": "DISPENSE"}


@rule("BUS-BAD-SUM-INERT", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def bad_sum_inert(tally, judge):
    """A block with a wrong checksum gets NAK or silence and changes nothing."""
    states: dict[str, State] = {}
    watched: dict[str, dict[str, tuple]] = {}  # seat -> {command: (fields, the block)}

    def bad(x) -> bool:
        return x.seat is not None and x.command.broken == ("sum",) and not x.command.collided

    def state(seat) -> State:
        return states.setdefault(seat, State())

    def command(x):
        if bad(x) and x.known and x.known.device:
            watch(x)
        elif x.name in SIGNS:  # explains from here on what is seen
            for name in (x.name, SAME.get(x.name)):
                watched.get(x.seat, {}).pop(name, None)

    def watch(x):
        try:
            message = x.known.device.parse_command(x.command.data[:-1], x.known.modes()[0])
        except Misfit:
            return
        sign = SIGNS.get(message.name)
        if sign and sign.idle(state(x.seat)):
            watched.setdefault(x.seat, {})[message.name] = message.fields, x.command

    def answer(x, h):
        if bad(x):
            tally.check(h.seat, x.kind == "nak", h, f"to {x.command.text()}")
        elif h.intact and not x.unfit and x.kind == "answer":
            for name, (fields, block) in list(watched.get(x.seat, {}).items()):
                look(x, h, name, fields, block)

    def look(x, h, name, fields, block):
        sign = SIGNS[name]
        if h.start - block.end > sign.within:
            del watched[x.seat][name]
        elif any(sign.seen(fields, message, state(x.seat)) for message in x.messages):
            del watched[x.seat][name]
            tally.check(x.seat, False, h, f"obeyed {block.text()} ({name})")

    def done(x):
        if bad(x) and not x.answers and not x.cut:
            tally.check(x.seat, True, x.command)
        if x.name and x.known and x.known.device:
            learn(x, state(x.seat))

    def learn(x, s):
        heard = x.answer is not None and x.answer.intact and x.kind != "nak"
        if x.name == "RESET":
            s.reset()
            watched.pop(x.seat, None)
        elif x.name in ("COIN TYPE", "BILL TYPE"):
            mask = x.message.fields["accept" if x.name == "COIN TYPE" else "enable"]
            # In doubt, and for what is on its way, a type counts as enabled.
            s.types = None if s.types is None else s.types | mask
        elif x.name in ("DISPENSE", "PAYOUT") and x.kind != "nak":
            s.paying = True
        elif x.name == "ESCROW" and x.kind != "nak":
            s.held = None
        elif x.name in ("READER ENABLE", "READER DISABLE") and x.kind != "nak":
            s.enabled = False if x.name == "READER DISABLE" and heard else None
        elif x.name in ("VEND REQUEST", "NEGATIVE VEND") and x.kind != "nak":
            s.asked = True
        if heard and not x.unfit:
            told(x, s)

    def told(x, s):
        if x.name == "POLL":
            s.settled = s.settled or x.kind == "ack" or not x.offered
            s.paying = any(message.name in ("PAYOUT BUSY", "BUSY") for message in x.messages)
        for message in x.messages:
            if message.name == "JUST RESET":
                s.reset()
                s.settled = not x.offered
            elif message.name == "BILL":
                s.held = message.fields["route"] == ESCROW
            elif message.name in ("VEND APPROVED", "VEND DENIED", "END SESSION"):
                s.asked = False
            elif message.name == "BEGIN SESSION":
                s.asked = False

    def forget(seat):
        states.pop(seat, None)
        watched.pop(seat, None)

    def waiting():
        """May a sign still come? One that comes later says nothing."""
        ends = (block.end + SIGNS[name].within for one in watched.values() for name, (_, block) in one.items())
        return max(ends, default=0) > judge.now

    def leap(length):
        watched.clear()

    return {"bus.command": command, "bus.answer": answer, "bus.done": done, "open": waiting, "leap": leap} | resets(
        judge, forget
    )
