"""What the board knows of each payment device, and what it wants of it next.

    RESET ─► JUST RESET ─► the steps of `START`, one a turn ─► ready ─► `wishes`, one a turn
      ▲                                                                     │
      └── silent too long, a needed step without answer, out of sequence ◄──┘

A desk never sends. In each turn the bus asks it with `wants` for a command beside the POLL, brings what
came of it to `outcome`, and what a device told to its `on_…` methods. Amounts are minor units.
"""

from typing import NamedTuple

from benchsim.events import ticks
from benchsim.schema.bus import Message, Mode

LOST, READY, FAULT = range(3)  # conditions of a device
OTHER_MONEY, BAD_SCALING, BAD_LEVEL = 0xF1, 0xF2, 0xF3  # codes of FAULT that no device tells: why it is not used
REFUSALS = frozenset({"OUT OF SEQUENCE", "MALFUNCTION"})  # in place of ACK: the command was not done
MAKER = {"maker": "BSM", "serial": "000000000001", "model": "BOARD", "software": "0100"}
UNUSED = (0x00, 0xFF)  # credits of a coin or bill type that give nothing: not used, a token


class Wish(NamedTuple):
    """A command that a desk wants sent. `once`: when silence follows, it may have been heard."""

    name: str
    fields: dict = {}  # noqa: RUF012
    once: bool = False


class Desk:
    """One device. `tell(name, **data)` goes up to the board."""

    NAME = ""
    START: tuple[str, ...] = ()  # commands after JUST RESET, in order
    OPTIONAL: frozenset[str] = frozenset()  # of these: the device works without, should it not answer
    FAULTS: frozenset[str] = frozenset()  # states that keep the device from its work
    PATIENCE_START = ticks(5.0)  # for JUST RESET and each step of the start-up
    SEARCH = ticks(1.0)  # RESET to RESET while it does not answer

    def __init__(self, clock, book, seat: str, bus, tell):
        self.clock, self.bus, self.seat = clock, bus, seat
        self.spec = book.devices[self.NAME]
        self.address = self.spec.seats[seat]
        self.tell = tell
        self.patience = self.spec.limits["non_response"].high
        self.present = False  # it answered, and not yet too long ago
        self.ready = False
        self.heard = 0  # when it last answered
        self.fault: str | None = None
        self.forget()

    # ---- for device desks

    def clear(self) -> None:
        """The device was reset: forget what was under way."""

    def wishes(self) -> Wish | None:
        """What to send to a device that is ready."""

    def fields(self, step: str) -> dict | None:
        """Values for a step of the start-up; None: this device does not need it."""
        return {}

    def later(self, step: str) -> str | None:
        """The message that a step still awaits after its ACK."""

    def done(self, wish: Wish, kind: str) -> None:
        """A wish of a ready device ended: "ack", "nak", "data", "silence", "broken", "refused"."""

    @property
    def at_rest(self) -> bool:
        """The device is ready and nothing is under way; or there is none and never was."""
        return self.ready if self.present else not self.heard

    # ---- life

    def forget(self) -> None:
        """All anew: RESET, then JUST RESET, then the steps of the start-up."""
        self.mode = Mode(self.spec.levels[0])
        self.reset_wanted, self.started = True, False
        self.steps: list[str] = []
        self.awaited: str | None = None  # an answer of the start-up that may come in a later POLL
        self.since = self.clock.now()
        self.ready = False
        self.unfit = 0  # why the device is started and not used; 0: it is used
        self.clear()

    def lost(self) -> None:
        """Silent for longer than its non-response time."""
        if self.present:
            self.present = False
            self.condition(LOST)
        self.forget()

    def condition(self, condition: int, code: int = 0) -> None:
        """Tell the board how the device is."""
        self.tell("device", address=self.address, condition=condition, code=code)

    def introduced(self, level: int, currency: str, scaling: int, decimals: int) -> None:
        """What a SETUP answer says of the device. It speaks the highest level that both know."""
        known = [one for one in self.spec.levels if one <= level]
        self.mode = Mode(max(known, default=self.spec.levels[0]))
        if not known:
            self.unfit = BAD_LEVEL
        elif not scaling:
            self.unfit = BAD_SCALING
        elif not self.bus.is_our_money(currency, decimals):
            self.unfit = OTHER_MONEY

    def wants(self) -> Wish | None:
        """The next command beside the POLL."""
        if not self.started or self.awaited:
            self._overdue(self.awaited)
            return None
        if self.steps:
            self._overdue(self.steps[0])
        while self.steps:
            values = self.fields(self.steps[0])
            if values is not None:
                return Wish(self.steps[0].removesuffix(" AGAIN"), values)
            self.steps.pop(0)
        if not self.started:
            return None  # it was given up just now
        if not self.ready:
            self.ready = True
            self.condition(FAULT if self.unfit else READY, self.unfit)
        return self.wishes()

    def _overdue(self, step: str | None) -> None:
        """Has a step of the start-up been without its answer for too long? Then on without it, or RESET."""
        if self.clock.now() - self.since <= self.PATIENCE_START:
            return
        if step not in self.OPTIONAL:
            self.forget()
            return
        if self.awaited:
            self.awaited = None
        else:
            self.steps.pop(0)
        self.since = self.clock.now()

    # ---- what came

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        """How a wish ended: "ack", "nak", "data", "silence", "broken"."""
        if any(message.name in REFUSALS for message in messages):
            kind = "refused"
        if self.ready:
            self.done(wish, kind)
        elif self.steps and kind in ("ack", "data"):
            self.steps.pop(0)
            self.since = self.clock.now()
            self.awaited = self.later(wish.name)
        self.take(messages)

    def polled(self, messages: list[Message]) -> None:
        """An answer to POLL; empty for ACK."""
        if any(m.name == "JUST RESET" for m in messages):
            self._just_reset()
            return
        self.take(messages)
        fault = next((m.name for m in messages if m.name in self.FAULTS), None)
        if self.ready and fault != self.fault:
            self.fault = fault
            self.condition(FAULT, self.spec.activities[fault].code) if fault else self.condition(READY)

    def _just_reset(self) -> None:
        self.forget()
        self.reset_wanted, self.started = False, True
        self.fault, self.steps = None, list(self.START)

    def take(self, messages: list[Message]) -> None:
        """Every message to its method."""
        for message in messages:
            if message.name == self.awaited:
                self.awaited = None
            method = "on_" + message.name.lower().replace(" ", "_")
            getattr(self, method, lambda **_: None)(**message.fields)


class ValidatorDesk(Desk):
    """Bill validator: every bill waits in escrow, the board decides. Not modelled: recycler, security bits."""

    NAME = "validator"
    START = ("SETUP", "IDENTIFICATION", "IDENTIFICATION 2", "FEATURES", "STACKER", "SECURITY", "BILL TYPE")
    OPTIONAL = frozenset({"IDENTIFICATION", "IDENTIFICATION 2", "FEATURES", "STACKER", "SECURITY"})
    FAULTS = frozenset({"MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"})
    REGULAR = frozenset({"_stacker_at"})
    STACKER_EVERY = ticks(60.0)  # and after whatever may have filled it
    ESCROW_AGAIN = ticks(1.0)  # an ESCROW without answer, and no news of the bill
    ESCROW_ENDS = ticks(31.0)  # its outcome comes within 30 s (MDB/ICP 4.3 §6), else the validator is reset

    def clear(self) -> None:
        self.values: list[int] = []
        self.mask = 0  # as the device was told
        self.full = self.has_escrow = False
        self.bill: int | None = None  # in escrow
        self.decision: int | None = None  # 1 stack, 0 return
        self._asked_at: int | None = None  # ESCROW was sent, its outcome is to come
        self._acked = False
        self._stacker_at = 0  # when to look at it, bench time

    def wanted_mask(self) -> int:
        """Types to take: enabled, of a known value, and such that change can be given."""
        if self.full or self.unfit:
            return 0
        return self.bus.taken(self.values)

    @property
    def at_rest(self) -> bool:
        return super().at_rest and self.bill is None and self._asked_at is None

    def _escrow_mask(self) -> int:
        """Every type, enabled or not: a bill on its way when its type is disabled waits for its fate too."""
        return sum(1 << i for i, value in enumerate(self.values) if value) if self.has_escrow else 0

    def fields(self, step: str) -> dict | None:
        match step:
            case "IDENTIFICATION":
                return {} if self.mode.level < 2 else None
            case "IDENTIFICATION 2":
                return {} if self.mode.level >= 2 else None
            case "FEATURES":
                return {"features": 0} if self.mode.level >= 2 else None
            case "SECURITY":
                return {"types": 0}
            case "BILL TYPE":
                self._sent = self.wanted_mask()
                return {"enable": self._sent, "escrow": self._escrow_mask()}
        return {}

    def wishes(self) -> Wish | None:
        if self._asked_at is not None:
            return self._awaiting_outcome(self.clock.now() - self._asked_at)
        if self.bill is not None and self.decision is not None:
            return self._escrow()
        return self._other()

    def _other(self) -> Wish | None:
        if self.wanted_mask() != self.mask:
            return Wish("BILL TYPE", self.fields("BILL TYPE"))
        if self.clock.bench_time() >= self._stacker_at:
            return Wish("STACKER")
        return None

    def _escrow(self) -> Wish:
        self._asked_at, self._acked = self.clock.now(), False
        return Wish("ESCROW", {"stack": self.decision}, once=True)

    def _awaiting_outcome(self, waited: int) -> Wish | None:
        if waited > self.ESCROW_ENDS:
            self.forget()
            return None
        if waited > self.ESCROW_AGAIN and not self._acked:
            return self._escrow()
        return self._other()

    def _settled(self) -> None:
        """The bill is gone from escrow, one way or the other."""
        self.bill = self.decision = self._asked_at = None

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        if wish.name == "BILL TYPE" and kind == "ack":
            self.mask = self._sent
        super().outcome(wish, kind, messages)

    def done(self, wish: Wish, kind: str) -> None:
        if wish.name == "ESCROW":
            self._acked = kind == "ack"
        elif wish.name == "STACKER" and kind not in ("data", "nak"):
            self._looked_at_stacker()  # it may not know the command

    def on_setup(self, level, currency, scaling, decimals, escrow, credits, **_) -> None:
        self.introduced(level, currency, scaling, decimals)
        self.has_escrow = bool(escrow)
        self.values = [0 if credit in UNUSED else credit * scaling for credit in credits]

    def _looked_at_stacker(self) -> None:
        self._stacker_at = (self.clock.bench_time() // self.STACKER_EVERY + 1) * self.STACKER_EVERY

    def on_stacker(self, full, count) -> None:
        self._looked_at_stacker()
        if full and not self.full:
            self.tell("full")
        self.full = bool(full)

    def on_bill(self, route, bill) -> None:
        value = self.values[bill] if bill < len(self.values) else 0
        if route == 1:
            self._settled()
            self.bill = bill
            self.tell("escrow", amount=value)
            if self.bus.auto_escrow:
                self.decision = int(bool(value) and self.wanted_mask() >> bill & 1)
            return
        self._settled()
        if route in (0, 3) and value:
            self._stacker_at = 0
            self.tell("credit", source="bill", amount=value)

    def on_busy(self) -> None:
        self._acked = True  # it moves the bill

    def on_invalid_escrow_request(self) -> None:
        self._acked = True  # it has decided already: only its outcome is awaited

    def on_rejected(self) -> None:
        self._settled()
