"""What the board knows of a cashless reader: its session, one vend at a time in it.

    no session ─ begin session ─► idle ─ wanted ─► asked ─ approved ─► success or failure ─► idle
                                   │                 └── cancel ─► cancelled ─► idle
                                   └── ending: SESSION COMPLETE ─► no session

Not modelled: revalue, negative vend, data entry, display requests, always idle.
"""

from benchsim.events import ticks
from benchsim.schema.bus import Message
from benchsim.seats.payment_desks import FAULT, MAKER, OTHER_MONEY, Desk, Wish

MULTIVEND, CASH_SALES = 1, 3  # option bits of CONFIG (MDB/ICP 4.3 §7)
WIDE_MONEY = 0b10  # feature bit: the only feature that this board enables
MOST_REPORTS = 16  # cash sales that wait for a reader that is busy or away; then the oldest goes


class ReaderDesk(Desk):
    """Cashless reader. `session`: a card is in it; `turned_away`: it came while another reader had one."""

    NAME = "cashless"
    START = ("SETUP CONFIG", "SETUP PRICES", "IDENTIFICATION", "FEATURES", "SETUP PRICES AGAIN")
    OPTIONAL = frozenset({"IDENTIFICATION", "FEATURES"})
    ANSWER = ticks(5.0)  # response time until the reader has told its own
    IDLE = ticks(45.0)  # a session with nothing happening is closed after this
    AFTER_VEND = ticks(15.0)  # the same after a vend, where the reader allows several in one session

    def __init__(self, clock, book, seat: str, bus, tell):
        self.session = self.turned_away = False
        self.sales: list[tuple[int, int]] = []  # price and item of cash sales to report
        super().__init__(clock, book, seat, bus, tell)

    def clear(self) -> None:
        self._session_ended()
        self.enabled = False
        self.options = 0
        self.price = self.item = 0
        self.scale, self.answer = 1, self.ANSWER
        self.currency, self.offered = "0000", 0
        self.time_wanted = False

    def _session_ended(self) -> None:
        was = self.session and not self.turned_away
        self.session = self.ending = self.turned_away = False
        self.funds: int | None = None
        self._closed_at = 0  # when SESSION COMPLETE was sent
        self._sold = False
        self._step(None)
        if was:
            self.tell("session_end")

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
                return {"features": self.offered & WIDE_MONEY} if self.mode.level >= 3 else None

    def later(self, step: str) -> str | None:
        if step == "FEATURES":
            self.mode = self.spec.mode(self.mode.level, self.offered & WIDE_MONEY)
        return {"SETUP CONFIG": "CONFIG", "IDENTIFICATION": "IDENTIFICATION"}.get(step)

    # ---- what the board asks for

    @property
    def multivend(self) -> bool:
        """May there be several vends in one session?"""
        return bool(self.options >> MULTIVEND & 1)

    @property
    def _most(self) -> int:
        """The greatest amount stands for "not known"."""
        return 0xFFFFFFFF if self.mode.wide else 0xFFFF

    @property
    def at_rest(self) -> bool:
        waits = self.session or self.vend or self.sales or self.time_wanted
        return super().at_rest and not waits

    def request(self, price: int, item: int) -> None:
        """Ask for a vend; "approved" or "denied" follows."""
        fits = price % self.scale == 0 and price // self.scale < self._most
        if not self.session or self.turned_away or self.vend or self.ending or not fits:
            self.tell("denied")
            return
        self._step("wanted")
        self.price, self.item = price, item

    def settle(self, delivered: bool) -> None:
        """The approved vend was delivered, or not."""
        if self.vend == "approved":
            self._step("success" if delivered else "failure")

    def cancel(self) -> None:
        """The vend is no longer wanted."""
        if self.vend == "wanted":
            self._step(None)
        elif self.vend == "asked":
            self._step("cancel")
        else:
            self.settle(delivered=False)

    def complete(self) -> None:
        """End the session, once a vend under way has ended."""
        self.ending = self.session

    def report(self, price: int, item: int) -> None:
        """A sale for cash, for readers that ask to be told."""
        if self.options >> CASH_SALES & 1:
            self.sales = [*self.sales, (price, item)][-MOST_REPORTS:]

    def _step(self, vend: str | None) -> None:
        self.vend, self.step_at = vend, self.clock.now()

    # ---- turns

    def wishes(self) -> Wish | None:
        waited = self.clock.now() - self.step_at
        if self.vend:
            return self._vending(waited > self.answer)
        if self.session:
            idle = self.AFTER_VEND if self._sold else self.IDLE
            return self._closing() if self.ending or waited > idle else None
        return self._at_rest()

    def _vending(self, too_long: bool) -> Wish | None:
        if self.vend == "asked" and too_long:
            self._step("cancel")
        elif self.vend != "approved" and too_long:  # the coil has its own time
            self._give_up()
        match self.vend:
            case "wanted":
                return Wish("VEND REQUEST", {"price": self.price // self.scale, "item": self.item}, once=True)
            case "cancel":
                return Wish("VEND CANCEL")
            case "success":
                return Wish("VEND SUCCESS", {"item": self.item})
            case "failure":
                return Wish("VEND FAILURE")
        return None

    def _closing(self) -> Wish | None:
        if not self._closed_at:
            return Wish("SESSION COMPLETE", once=True)
        if self.clock.now() - self._closed_at > self.answer:
            self._give_up()
        return None

    def _at_rest(self) -> Wish | None:
        """No session: disabled while another reader has one."""
        wanted = self.bus.cash_enabled and not self.unfit and not self.bus.session_elsewhere(self)
        if wanted != self.enabled:
            return Wish("READER ENABLE" if wanted else "READER DISABLE")
        stamp = self.bus.stamp() if self.time_wanted else None
        if stamp:
            return Wish("TIME AND DATE", {"stamp": stamp})
        if self.sales:
            price, item = self.sales[0]
            more = {"currency": self.currency} if self.mode.wide else {}
            return Wish("CASH SALE", {"price": min(price // self.scale, self._most), "item": item, **more}, once=True)
        return None

    def _give_up(self) -> None:
        """The reader does not follow: RESET it."""
        denied = self.vend in ("wanted", "asked", "cancel", "cancelled")
        self._step(None)
        if denied:
            self.tell("denied")
        self.forget()

    def done(self, wish: Wish, kind: str) -> None:
        sent = kind in ("ack", "data")
        if kind == "refused" or not (sent or (wish.once and kind != "nak")):
            return
        match wish.name:
            case "VEND REQUEST":
                self._step("asked")
            case "VEND CANCEL":
                self._step("cancelled")
            case "VEND SUCCESS":
                self._sold = True
                self._step(None)
                self.tell("charged", amount=self.price)
            case "VEND FAILURE":
                self._step(None)
            case "SESSION COMPLETE":
                self._closed_at = self.clock.now()
            case "READER ENABLE" | "READER DISABLE":
                self.enabled = wish.name == "READER ENABLE"
            case "TIME AND DATE":
                self.time_wanted = False
            case "CASH SALE":
                del self.sales[0]

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        if wish.name == "VEND FAILURE" and any(message.name == "MALFUNCTION" for message in messages):
            self._step(None)  # the money could not be given back: to say it again helps nobody
        super().outcome(wish, kind, messages)

    # ---- what the reader tells

    def on_config(self, level, currency, scale, decimals, response_s, options, **_) -> None:
        self.introduced(level, currency, scale, decimals)
        self.currency, self.offered, self.options = currency, 0, options
        self.scale = scale or 1
        self.answer = max(self.ANSWER, ticks(response_s))
        self.patience = max(self.spec.limits["non_response"].high, ticks(response_s))

    def on_identification(self, features: int = 0, **_) -> None:
        self.offered = features

    def on_begin_session(self, funds, currency: str = "", **_) -> None:
        self._session_ended()
        self.funds = None if funds == self._most else funds * self.scale
        self.session = True
        foreign = bool(currency) and currency != self.currency
        if self.bus.session_elsewhere(self) or self.unfit or foreign or not self.bus.cash_enabled:
            self.turned_away = self.ending = True
            if foreign:
                self.condition(FAULT, OTHER_MONEY)
            return
        self.tell("session", funds=self.funds)

    def on_session_cancel_request(self) -> None:
        self.complete()

    def on_vend_approved(self, amount) -> None:
        if self.vend == "asked":
            self._step("approved")
            self.tell("approved", amount=amount * self.scale)
        elif self.vend in ("cancel", "cancelled"):  # too late: it was cancelled
            self._step("failure")
            self.tell("denied")

    def on_vend_denied(self) -> None:
        if self.vend in ("asked", "cancel", "cancelled"):
            self._step(None)
            self.tell("denied")

    def on_end_session(self) -> None:
        denied = self.vend in ("wanted", "asked", "cancel", "cancelled")
        self._step(None)
        if denied:
            self.tell("denied")
        self._session_ended()

    def on_time_request(self) -> None:
        self.time_wanted = True

    def on_malfunction(self, error) -> None:
        self.condition(FAULT, error)

    def on_out_of_sequence(self, state: int = 0) -> None:
        self._give_up()
