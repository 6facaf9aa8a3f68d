"""What the board knows of each payment device, and what it wants of it next.

A desk never sends. In each turn the bus asks it with `wants` for a command beside the POLL, brings what
came of it to `outcome`, and what a device told to its `on_…` methods. Amounts are minor units.
"""

from typing import NamedTuple

from benchsim.events import ticks
from benchsim.schema.bus import Message, Mode

LOST, READY, FAULT = range(3)  # conditions of a device
PATIENCE_START = ticks(5.0)  # for JUST RESET and each step of the start-up
MAKER = {"maker": "BSM", "serial": "000000000001", "model": "BOARD", "software": "0100"}


class Wish(NamedTuple):
    """A command that a desk wants sent. `once`: when silence follows, it may have been heard."""

    name: str
    fields: dict = {}  # noqa: RUF012
    once: bool = False


class Desk:
    """One device. `tell(name, **data)` goes up to the board."""

    NAME = ""
    START: tuple[str, ...] = ()  # commands after JUST RESET, in order
    FAULTS: frozenset[str] = frozenset()  # states that keep the device from its work

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

    # ---- life

    def forget(self) -> None:
        """All anew: RESET, then JUST RESET, then the steps of the start-up."""
        self.mode = Mode(self.spec.levels[0])
        self.reset_wanted, self.started = True, False
        self.steps: list[str] = []
        self.awaited: str | None = None  # an answer of the start-up that may come in a later POLL
        self.since = self.clock.now()
        self.ready = False
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

    def wants(self) -> Wish | None:
        """The next command beside the POLL."""
        if not self.started or self.awaited:
            if self.clock.now() - self.since > PATIENCE_START:
                self.forget()
            return None
        while self.steps:
            values = self.fields(self.steps[0])
            if values is not None:
                return Wish(self.steps[0].removesuffix(" AGAIN"), values)
            self.steps.pop(0)
        if not self.ready:
            self.ready = True
            self.condition(READY)
        return self.wishes()

    # ---- what came

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        """How a wish ended: "ack", "nak", "data", "silence", "broken"."""
        if self.ready:
            self.done(wish, kind)
        elif self.steps and kind in ("ack", "data"):
            self.steps.pop(0)
            self.since = self.clock.now()
            self.awaited = self.later(wish.name)
        elif self.clock.now() - self.since > PATIENCE_START:
            self.forget()
        self.take(messages)

    def later(self, step: str) -> str | None:
        """The message that a step still awaits after its ACK."""

    def done(self, wish: Wish, kind: str) -> None:
        """A wish of a ready device ended."""

    def polled(self, messages: list[Message]) -> None:
        """An answer to POLL; empty for ACK."""
        if any(m.name == "JUST RESET" for m in messages):
            self._just_reset()
            return
        self.take(messages)
        fault = next((m for m in messages if m.name in self.FAULTS), None)
        if self.ready and (fault and fault.name) != self.fault:
            self.fault = fault and fault.name
            code = self.spec.activities[fault.name].code if fault else 0
            self.condition(FAULT if fault else READY, code)

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
    """Bill validator: every bill waits in escrow, the board decides."""

    NAME = "validator"
    START = ("SETUP", "IDENTIFICATION", "FEATURES", "STACKER", "SECURITY", "BILL TYPE")
    FAULTS = frozenset({"MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"})
    STACKER_EVERY = ticks(30.0)

    def clear(self) -> None:
        self.values: list[int] = []
        self.mask = 0  # as the device was told
        self.full = False
        self.bill: int | None = None  # in escrow
        self.decision: int | None = None  # 1 stack, 0 return
        self._stacker_at = 0

    def wanted_mask(self) -> int:
        """Types to take: enabled, of a known value, not above what may still be credited."""
        if self.full or not self.bus.cash_enabled:
            return 0
        most = self.bus.max_credit
        return sum(1 << i for i, v in enumerate(self.values) if v and (most is None or v <= most))

    def fields(self, step: str) -> dict | None:
        match step:
            case "FEATURES":
                return {"features": 0} if self.mode.level >= 2 else None
            case "SECURITY":
                return {"types": 0}
            case "BILL TYPE":
                self._sent = self.wanted_mask()
                return {"enable": self._sent, "escrow": self._sent}
        return {}

    def wishes(self) -> Wish | None:
        if self.bill is not None and self.decision is not None:
            return Wish("ESCROW", {"stack": self.decision})
        if self.wanted_mask() != self.mask:
            return Wish("BILL TYPE", self.fields("BILL TYPE"))
        if self.clock.now() >= self._stacker_at:
            return Wish("STACKER")
        return None

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        if wish.name == "BILL TYPE" and kind == "ack":
            self.mask = self._sent
        super().outcome(wish, kind, messages)

    def done(self, wish: Wish, kind: str) -> None:
        if wish.name == "ESCROW" and kind == "ack":
            self.bill = self.decision = None

    def on_setup(self, level, scaling, credits, **_) -> None:
        self.mode = Mode(level)
        self.values = [0 if credit == 0xFF else credit * scaling for credit in credits]

    def on_stacker(self, full, count) -> None:
        self._stacker_at = self.clock.now() + self.STACKER_EVERY
        if full and not self.full:
            self.tell("full")
        self.full = bool(full)

    def on_bill(self, route, bill) -> None:
        value = self.values[bill] if self.values else 0
        if route == 1:
            self.bill, self.decision = bill, None
            self.tell("escrow", amount=value)
            if self.bus.auto_escrow:
                self.decision = int(bool(value) and self.wanted_mask() >> bill & 1)
        else:
            self.bill = self.decision = None
            if route in (0, 3) and value:
                self._stacker_at = 0
                self.tell("credit", source="bill", amount=value)


class ReaderDesk(Desk):
    """Cashless reader: one session at a time, one vend at a time in it."""

    NAME = "cashless"
    START = (
        "SETUP CONFIG", "SETUP PRICES", "IDENTIFICATION", "FEATURES", "SETUP PRICES AGAIN",
    )  # fmt: skip
    ANSWER = ticks(5.0)  # response time until the reader has told its own
    IDLE = ticks(45.0)  # a session with nothing happening is closed after this

    def clear(self) -> None:
        if getattr(self, "session", False):
            self.tell("session_end")
        self.enabled = False
        self.session, self.ending = False, False
        self.funds: int | None = None
        self.vend: str | None = None  # "wanted", "asked", "approved", "success", "failure", "cancel"
        self.price = self.item = 0
        self.scale, self.answer = 1, self.ANSWER
        self.currency, self.offered = "0000", 0
        self._closed_at = 0  # when SESSION COMPLETE was sent
        self.step_at = self.clock.now()

    def fields(self, step: str) -> dict | None:
        most = 0xFFFFFFFF if self.mode.wide else 0xFFFF
        match step:
            case "SETUP CONFIG":
                return {"level": 3, "columns": 0, "rows": 0, "display": 0}
            case "SETUP PRICES":
                return {"highest": 0xFFFF, "lowest": 0}
            case "SETUP PRICES AGAIN":
                return {"highest": most, "lowest": 0, "currency": self.currency} if self.mode.wide else None
            case "IDENTIFICATION":
                return MAKER
            case _:
                self._features = self.offered & 0b10
                return {"features": self._features} if self.mode.level >= 3 else None

    def later(self, step: str) -> str | None:
        name = {"SETUP CONFIG": "CONFIG", "IDENTIFICATION": "IDENTIFICATION"}.get(step)
        if step == "FEATURES":
            self.mode = self.spec.mode(self.mode.level, self._features)
        return name

    # ---- what the board asks for

    def request(self, price: int, item: int) -> None:
        """Ask for a vend; "approved" or "denied" follows."""
        if not self.session or self.vend or self.ending or price % self.scale:
            self.tell("denied")
            return
        self._step("wanted")
        self.price, self.item = price, item

    def settle(self, delivered: bool) -> None:
        """The approved vend was delivered, or not."""
        if self.vend == "approved":
            self._step("success" if delivered else "failure")

    def complete(self) -> None:
        """End the session, once a vend under way has ended."""
        self.ending = self.session

    def _step(self, vend: str | None) -> None:
        self.vend, self.step_at = vend, self.clock.now()

    # ---- turns

    def wishes(self) -> Wish | None:
        waited = self.clock.now() - self.step_at
        match self.vend:
            case "wanted":
                return Wish("VEND REQUEST", {"price": self.price // self.scale, "item": self.item}, once=True)
            case "asked" if waited > self.answer:
                self._step("cancel")
                return Wish("VEND CANCEL")
            case "cancel" if waited > self.answer:
                self._give_up()
                return None
            case "success":
                return Wish("VEND SUCCESS", {"item": self.item})
            case "failure":
                return Wish("VEND FAILURE")
            case "asked" | "approved" | "cancel":
                return None
        if self.session and (self.ending or waited > self.IDLE):
            return self._closing(waited)
        wanted = self.bus.cash_enabled
        if not self.session and wanted != self.enabled:
            return Wish("READER ENABLE" if wanted else "READER DISABLE")
        return None

    def _closing(self, waited: int) -> Wish | None:
        if not self._closed_at:
            return Wish("SESSION COMPLETE", once=True)
        if self.clock.now() - self._closed_at > self.answer:
            self._give_up()
        return None

    def _give_up(self) -> None:
        """The reader does not follow: RESET it."""
        denied = self.vend in ("wanted", "asked", "cancel")
        self.vend = None
        if denied:
            self.tell("denied")
        self.forget()

    def done(self, wish: Wish, kind: str) -> None:
        sent = kind in ("ack", "data") or (wish.once and kind != "nak")
        match wish.name:
            case "VEND REQUEST" if sent:
                self._step("asked")
            case "VEND SUCCESS" | "VEND FAILURE" if kind in ("ack", "data"):
                self._step(None)
            case "SESSION COMPLETE" if sent:
                self._closed_at = self.clock.now()
            case "READER ENABLE" | "READER DISABLE" if kind == "ack":
                self.enabled = wish.name == "READER ENABLE"

    # ---- what the reader tells

    def on_config(self, level, currency, scale, response_s, **_) -> None:
        self.mode, self.currency, self.offered = Mode(level), currency, 0
        self.scale = scale or 1
        self.answer = max(self.ANSWER, ticks(response_s))
        self.patience = max(self.spec.limits["non_response"].high, ticks(response_s))

    def on_identification(self, features: int = 0, **_) -> None:
        self.offered = features

    def on_begin_session(self, funds, **_) -> None:
        unknown = 0xFFFFFFFF if self.mode.wide else 0xFFFF
        self.funds = None if funds == unknown else funds * self.scale
        self.session, self.ending, self._closed_at = True, False, 0
        self._step(None)
        self.tell("session", funds=self.funds)

    def on_session_cancel_request(self) -> None:
        self.complete()

    def on_vend_approved(self, amount) -> None:
        if self.vend == "asked":
            self._step("approved")
            self.tell("approved", amount=amount * self.scale)
        elif self.vend == "cancel":  # too late: it was cancelled
            self._step("failure")
            self.tell("denied")

    def on_vend_denied(self) -> None:
        if self.vend in ("asked", "cancel"):
            self._step(None)
            self.tell("denied")

    def on_end_session(self) -> None:
        was, self.session, self.ending = self.session, False, False
        self._step(None)
        if was:
            self.tell("session_end")

    def on_malfunction(self, error) -> None:
        self.condition(FAULT, error)

    def on_out_of_sequence(self, state: int = 0) -> None:
        self._give_up()
