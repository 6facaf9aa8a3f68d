"""The board: it answers the host on the kit link, drives the coils, is master of the payment bus.

Here is its session with the host: states, operations, statuses, watchdog. What it sells and owes is
`till.Till`, what it does about cold `cold_keeper.ColdKeeper`; what it remembers across a power loss is `Memory`.

Not modelled: timing of single coils in a survey.
"""

from dataclasses import dataclass, field

from benchsim.events import TICKS_PER_MS, ticks
from benchsim.links.kit_frames import wrap
from benchsim.links.kit_sides import Answerer
from benchsim.machine import Cold, Coils, Door
from benchsim.schema import Misfit
from benchsim.schema.kit import KitSpec, Request
from benchsim.seats.audit_books import AuditBooks, Writer
from benchsim.seats.auditor import BOARD_ID, AuditPort
from benchsim.seats.cold_keeper import ColdKeeper
from benchsim.seats.event_queue import KEEP_FREE, EventQueue
from benchsim.seats.payment import PaymentBus
from benchsim.seats.till import NOT_FOR_SALE, Till

OK, BAD_LENGTH, UNKNOWN, BAD_ARGUMENT, WRONG_STATE, BUSY, LOCKED_OUT, NO_CREDIT = range(8)
STARTING, IDENTIFIED, PRICED, SALE, VENDING, LOCKED, SERVICE = range(7)
POWER_ON, WATCHDOG, BROWN_OUT = range(3)

_ANY = frozenset(range(7))
_BUT_STARTING = _ANY - {STARTING}
ALLOWED = {
    "RESET": _ANY, "IDENT": _ANY, "POLL": _ANY, "CLOCK": _ANY, "COUNTERS": _ANY,
    "PRICE-BEGIN": {IDENTIFIED, PRICED, SERVICE}, "PRICE-PART": {IDENTIFIED, PRICED, SERVICE},
    "PRICE-COMMIT": {IDENTIFIED, PRICED, SERVICE}, "SETPOINT": {IDENTIFIED, PRICED, SERVICE},
    "PRICE-READ": _BUT_STARTING, "SURVEY": {IDENTIFIED, PRICED, SERVICE}, "SURVEY-READ": _BUT_STARTING,
    "OPEN-SALE": {PRICED}, "CLOSE-SALE": {PRICED, SALE}, "VEND": {SALE},
    "REFUND": {PRICED, SALE, LOCKED, SERVICE},
}  # fmt: skip
_WAITS_FOR_COIL = {"VEND", "SURVEY", "PRICE-BEGIN", "PRICE-PART", "PRICE-COMMIT", "SETPOINT"}
_REPLY_DELAY = 2 * TICKS_PER_MS
_BOOT = ticks(0.5)
_LOOK = 50 * TICKS_PER_MS  # how often the watchdog looks


@dataclass
class Memory:
    """What survives a power loss."""

    cash: int = 0
    owed: int = 0
    paying: tuple[list[int], int] | None = None  # tubes before the payout under way, its value
    lockout: int = 0  # reason, 0 none
    warm: float = 0.0  # seconds that perishable food has been in air too warm
    prices: list[int] | None = None
    setpoint: tuple[int, int] = (0, 0)
    survey: list[int] | None = None
    vend: tuple[int, int, int] | None = None  # row, column, price in cash
    counters: dict = field(default_factory=lambda: {"vends": 0, "starts": 0})
    books: AuditBooks = field(default_factory=AuditBooks)


class Board:
    """One board. `power_on`, `power_off`; `front` is the door as it sees it; money comes through its `till`.

    It is master of the payment bus whose (line, book, rng) are given as `bus`; `pay_factory(on_event)` makes
    another. Its audit port stands on the (line, spec, whether a reading resets) given as `audit`. A board with other
    habits: a subclass with its own `PAYMENT`, `TILL`, `COLD`, `ANSWERER`, `AUDIT` or `BOOKS`.
    """

    PAYMENT = PaymentBus
    TILL = Till
    COLD = ColdKeeper
    ANSWERER = Answerer
    AUDIT = AuditPort
    BOOKS = AuditBooks

    IDENTITY = {"maker": "BENCH", "model": "BOARD-6X8", "serial": "000000000001", "firmware": "0100"}

    def __init__(self, spec: KitSpec, clock, line, trace, coils: Coils, pay_factory=None, bus=None,
                 audit=None, door: Door | None = None, cold: Cold | None = None):  # fmt: skip
        self.spec, self.clock, self.line, self.trace, self.coils = spec, clock, line, trace, coils
        self.memory = Memory(books=self.BOOKS())
        self.front = door or Door(trace)
        self.front.switched, self.front.pressed = self._switched, self._pressed
        coils.supply.tell = self._supplied
        self.till = self.TILL(self, pay_factory or (lambda on_event: self.PAYMENT(clock, *bus, on_event)))
        self.on = self.powered = False  # powered: it may still be booting
        self.cold = self.COLD(self, cold)
        self.answerer = self.ANSWERER(spec, self._serve, self._reply)
        self.audit = audit and self._audit_port(*audit)
        self.tricks: list = []  # callables (answer name, body) -> what to do with the answer, or None
        self.refuse_commits = 0  # how many good price tables are refused (status 3) before one is taken
        self._speaks_until = 0
        line.attach("board", False, self._hear)
        self._fresh(POWER_ON)

    def _fresh(self, cause: int) -> None:
        self.cause = cause
        self.queue = EventQueue(self.spec, self.memory.books.event)
        self.identified = self.table_sent = self.sale = self.surveying = False
        self.staged: list[int] | None = None
        self._last_request: int | None = None
        self._link_lost = False
        self.answerer.requests, self.answerer.bad_frames = 0, 0

    # ---- power, door

    def power_on(self, cause: int = POWER_ON, boot: int = _BOOT) -> None:
        """Start: the board hears the host after `boot` ticks."""
        self.powered = True
        self.trace.happening("board", "power", on=True, cause=cause)
        self._fresh(cause)
        self.answerer.forget()
        self.memory.counters["starts"] += 1
        self._watching = self.clock.call_at(self.clock.now() + boot, self._booted)

    def power_off(self) -> None:
        """Everything stops at once; `Memory` stays."""
        self.trace.happening("board", "power", on=False, cause=self.cause)
        self.on = self.powered = False
        self.memory.books.outage()
        self.line.cut("board")
        if self.audit:
            self.audit.pull()
        self.coils.stop()
        self.till.stop()
        self.cold.stop()
        self._watching.cancel()

    def _booted(self) -> None:
        self.on = True
        if self.audit:
            self.audit.plug()
        self.queue.add("BOOTED", cause=self.cause)
        self.till.start()
        self.cold.start()
        self._watch()

    def door(self, is_open: bool) -> None:
        """Somebody opens or closes the door."""
        self.front.move(is_open)

    @property
    def door_open(self) -> bool:
        """As the door's switch tells it."""
        return self.front.reading

    def _switched(self, is_open: bool) -> None:
        if not self.on:
            return
        self.queue.add("DOOR", open=int(is_open))
        if is_open:
            self.sale = False
            self.till.interrupt()
        else:
            self.cold.serviced()
        self.cold.look()
        self.till.update_acceptance()

    def _pressed(self) -> None:
        if self.on:
            self.queue.add("SERVICE-BUTTON")
            self.cold.button()

    def _supplied(self, millivolts: int) -> None:
        if self.on:
            self.queue.add("SUPPLY", millivolts=millivolts)

    def lock_out(self, reason: int) -> None:
        """Set (reason 1 temperature, 2 sensor failed) or clear (0) the lock-out."""
        was, self.memory.lockout = self.memory.lockout, reason
        if not reason and not was:
            return
        self.trace.happening("board", "lockout", set=bool(reason), reason=reason or was)
        if self.on:
            self.sale = self.sale and not reason
            self.queue.add("LOCKOUT", set=int(bool(reason)), reason=reason or was)
            if reason:
                self.till.interrupt()
            self.till.update_acceptance()

    @property
    def at_rest(self) -> bool:
        """It only answers and polls: nothing waits for anybody, however long."""
        told = self.queue.empty and not self.surveying and not self.tricks and not self._link_lost
        return self.on and told and self.till.at_rest

    # ---- session

    @property
    def state(self) -> int:
        """The state as POLL tells it."""
        if not self.identified:
            return STARTING
        if self.door_open:
            return SERVICE
        if self.memory.lockout:
            return LOCKED
        if self.till.vending:
            return VENDING
        if self.sale:
            return SALE
        return PRICED if self.table_sent else IDENTIFIED

    def _watch(self) -> None:
        limit = self.spec.limits["watchdog"].low
        now = self.clock.now()
        if self._last_request is not None and now - self._last_request >= limit and not self._link_lost:
            self._link_lost = True
            self.sale = False
            self.till.update_acceptance()
        self._watching = self.clock.call_at(now + _LOOK, self._watch)

    def _hear(self, burst) -> None:
        if self.on:
            self.answerer.hear(burst)

    def _serve(self, body: bytes, now: int) -> bytes:
        op, seq = self.spec.asked(body)
        name = self.spec.operations[op].name if op in self.spec.operations else ""
        self._heard(now)
        self.queue.request(name, seq)
        self.till.update_acceptance()  # places in the queue may have become free
        if name not in ALLOWED:
            return self.spec.build_status(op, seq, UNKNOWN)
        try:
            request = self.spec.parse_request(body)
        except Misfit as misfit:
            request, status = None, BAD_LENGTH if misfit.kind == "length" else BAD_ARGUMENT
            if status == BAD_ARGUMENT and (refused := self._refused(name)):
                status = refused
        else:
            status = self._refused(name)
        if not status:
            status, fields = getattr(self, "_op_" + name.lower().replace("-", "_"))(request)
        if status and name == "PRICE-COMMIT":
            self.staged = None  # whatever it was refused for
        return self.spec.build_answer(name, seq, status, **({} if status else fields))

    def _heard(self, now: int) -> None:
        if self._link_lost:
            silence = (now - self._last_request) // TICKS_PER_MS
            self.queue.add("LINK-LOST", ms=silence)
            self._link_lost = False
        self._last_request = now

    def _refused(self, name: str) -> int:
        busy = (self.till.vending or self.surveying) and name in _WAITS_FOR_COIL
        if self.state in ALLOWED[name] and not busy:
            return OK
        if self.memory.lockout and LOCKED not in ALLOWED[name]:
            return LOCKED_OUT
        return BUSY if busy else WRONG_STATE

    def _reply(self, body: bytes, heard_at: int) -> None:
        self._heard(heard_at)  # a repeat is a valid request too
        wire = wrap(self.spec, body)
        at = max(max(heard_at, self.clock.now()) + _REPLY_DELAY, self._speaks_until)
        self._speaks_until = at + len(wire) * self.line.word_ticks
        op, _ = self.spec.answered(body)
        name = self.spec.operations[op].name if op in self.spec.operations else ""
        for trick in list(self.tricks):
            changed = trick(name, body, wire, at)
            if changed is not None:
                changed()
                return
        self.line.say("board", tuple(wire), at)

    def _audit_port(self, line, spec, resets: bool) -> AuditPort:
        writer = Writer(self.IDENTITY, self.coils.columns, BOARD_ID)
        return self.AUDIT(spec, self.clock, line, self.memory.books, lambda: self._audit_text(writer), resets)

    def _audit_text(self, writer: Writer) -> str:
        prices = [
            price if self.has_coil(*divmod(item, self.coils.columns)) else NOT_FOR_SALE
            for item, price in enumerate(self.memory.prices or ())
        ]
        return writer.text(self.memory.books, prices, self.till.pay and self.till.pay.money)

    # ---- operations: each gives (status, fields of the answer)

    def _op_reset(self, request: Request):
        self.identified = self.table_sent = self.sale = False
        self.staged = None
        self.queue.withdraw("BOOTED")
        self.till.update_acceptance()
        return OK, {"version": 1, "cause": self.cause}

    def _op_ident(self, request: Request):
        self.identified = True
        return OK, self.IDENTITY | {"rows": self.coils.rows, "columns": self.coils.columns}

    def _op_poll(self, request: Request):
        return OK, {"state": self.state, "credit": self.till.total, "events": self.queue.offer(request.seq)}

    def _op_open_sale(self, request: Request):
        self.sale = True
        self.till.update_acceptance()
        return OK, {}

    def _op_close_sale(self, request: Request):
        self.sale = False
        self.till.update_acceptance()
        return OK, {}

    def _op_vend(self, request: Request):
        row, column, price = (request.fields[k] for k in ("row", "column", "price"))
        if self.queue.free < KEEP_FREE:
            return BUSY, {}
        if not (row < self.coils.rows and column < self.coils.columns) or not self.has_coil(row, column):
            return BAD_ARGUMENT, {}
        in_force = self.memory.prices[row * self.coils.columns + column]
        if price != in_force or price == NOT_FOR_SALE:
            return BAD_ARGUMENT, {}
        if price > self.till.total:
            return NO_CREDIT, {}
        self.till.vend(row, column, price)
        return OK, {}

    def has_coil(self, row: int, column: int) -> bool:
        """Did the survey find a coil there? Before the first survey every position counts as having one."""
        return self.memory.survey is None or bool(self.memory.survey[row] >> column & 1)

    def _op_refund(self, request: Request):
        return OK, {"amount": self.till.refund()}

    def _op_price_begin(self, request: Request):
        self.staged = None
        if request.fields["entries"] != self.coils.rows * self.coils.columns:
            return BAD_ARGUMENT, {}
        self.staged = []
        return OK, {}

    def _op_price_part(self, request: Request):
        f, whole = request.fields, self.coils.rows * self.coils.columns
        if self.staged is None or f["first"] != len(self.staged) or not 0 < f["n"] <= whole - len(self.staged):
            return BAD_ARGUMENT, {}
        self.staged += f["prices"]
        return OK, {}

    def _op_price_commit(self, request: Request):
        staged, self.staged = self.staged, None
        if staged is None or len(staged) != self.coils.rows * self.coils.columns:
            return BAD_ARGUMENT, {}
        if self.spec.table_check(staged) != request.fields["check"]:
            return BAD_ARGUMENT, {}
        if self.refuse_commits:
            self.refuse_commits -= 1
            return BAD_ARGUMENT, {}
        self.memory.prices = staged
        self.table_sent = True
        return OK, {}

    def _op_price_read(self, request: Request):
        prices, first, n = self.memory.prices, request.fields["first"], request.fields["n"]
        if prices is None or not n or first + n > len(prices):
            return BAD_ARGUMENT, {}
        return OK, {"prices": prices[first : first + n]}

    def _op_setpoint(self, request: Request):
        self.memory.setpoint = request.fields["duty"], request.fields["tenths"]
        self.cold.look()
        return OK, {}

    def _op_survey(self, request: Request):
        self.surveying = True
        self.coils.survey(self._surveyed)
        return OK, {}

    def _surveyed(self, found: list[int]) -> None:
        self.surveying = False
        self.memory.survey = found
        self.queue.add("SURVEY-DONE", coils=sum(row.bit_count() for row in self.memory.survey))

    def _op_survey_read(self, request: Request):
        first = request.fields["first"]
        if first >= self.coils.rows:
            return BAD_ARGUMENT, {}
        rows = self.memory.survey or [(1 << self.coils.columns) - 1] * self.coils.rows
        return OK, {"n": self.coils.rows - first, "rows": rows[first:]}

    def _op_clock(self, request: Request):
        self.till.set_clock(next(iter(request.fields.values())))
        return OK, {}

    def _op_counters(self, request: Request):
        return OK, {
            "requests": self.answerer.requests,
            "bad_frames": self.answerer.bad_frames,
            "vends": self.memory.counters["vends"],
            "starts": self.memory.counters["starts"],
        }
