"""The board as master of the payment bus: break, POLL in turn, RESET of what is silent.

    power on ─► break ─► 200 ms ─► turns: POLL a device, then at most one command that its desk wants

Each present device is polled about every 100 ms. A silent one is polled on until its non-response
time, then RESET again and again (MDB/ICP 4.3 §3). What devices mean is the desks' matter.
"""

from benchsim.events import TICKS_PER_MS, ticks
from benchsim.links.bus import BusMaster, Outcome
from benchsim.schema.bus import Message
from benchsim.schema.fields import Misfit
from benchsim.seats.changer_desk import ChangerDesk
from benchsim.seats.payment_desks import Desk, ReaderDesk, ValidatorDesk, Wish

SEARCH = ticks(1.0)  # RESET to RESET of a device that does not answer
PAUSE = 2 * TICKS_PER_MS  # between two commands
BREAK_MARGIN, SETTLE_MARGIN = 10 * TICKS_PER_MS, 20 * TICKS_PER_MS
SILENCE_MARGIN = ticks(
    0.1
)  # silence counts from the first unanswered POLL, an interval after the last answer
POLL = Wish("POLL")
RESET = Wish("RESET")


class PaymentBus:
    """The board's bus side; it starts at once. `on_event(name, **data)`, amounts in minor units:

    credit (source "coin" or "bill", amount), session (funds, None if not known), session_end,
    approved (amount), denied, lever, escrow (amount), full, paid (amount, owed),
    device (address, condition 0 lost, 1 ready, 2 fault, code as the device told).
    """

    def __init__(self, clock, line, book, rng, on_event, seat: str = "board"):
        self.clock, self.book, self._on_event = clock, book, on_event
        self.cash_enabled = False
        self.max_credit: int | None = None
        self.auto_escrow = True  # bills of enabled types are stacked without asking
        self.on = True
        self.master = BusMaster(clock, line, book, seat)
        limits = book.bus.limits
        self._interval = limits["poll"].nominal
        desks = (("changer", ChangerDesk), ("validator", ValidatorDesk), ("cashless1", ReaderDesk),
                 ("cashless2", ReaderDesk))  # fmt: skip
        self.desks: dict[str, Desk] = {s: desk(clock, book, s, self, self._tell) for s, desk in desks}
        self.changer, self.validator = self.desks["changer"], self.desks["validator"]
        self.readers = [self.desks["cashless1"], self.desks["cashless2"]]
        end = self.master.hold(limits["break"].low + BREAK_MARGIN)
        first = end + limits["settle"].low + SETTLE_MARGIN
        third = self._interval // 3
        self._due = {seat: first + i * third for i, seat in enumerate(self.desks)}
        self._timer = clock.call_at(first, self._turn)

    def stop(self) -> None:
        """Power off: silent at once, and nothing more is told."""
        self.on = False
        self._timer.cancel()
        self.master.stop()

    # ---- what the board asks for

    def enable(self, cash: bool, max_credit: int | None = None) -> None:
        """Take money or not; no coin or bill worth more than `max_credit`."""
        self.cash_enabled, self.max_credit = cash, max_credit

    def payout(self, amount: int) -> None:
        """Pay out; "paid" follows, more than once if it takes several steps."""
        self.changer.pay(amount)

    def escrow(self, stack: bool) -> None:
        """Decide about the bill in escrow, where `auto_escrow` is off."""
        if self.validator.bill is not None:
            self.validator.decision = int(stack)

    def vend_request(self, price: int, item: int) -> None:
        """Ask the reader in session for a price; "approved" or "denied" follows."""
        reader = self._in_session()
        if reader:
            reader.request(price, item)
        else:
            self._tell("denied")

    def vend_success(self) -> None:
        """The approved vend was delivered."""
        for reader in self.readers:
            reader.settle(delivered=True)

    def vend_failure(self) -> None:
        """The approved vend was not delivered."""
        for reader in self.readers:
            reader.settle(delivered=False)

    def session_complete(self) -> None:
        """End the session; "session_end" follows."""
        for reader in self.readers:
            reader.complete()

    def _in_session(self) -> ReaderDesk | None:
        return next((reader for reader in self.readers if reader.session), None)

    def _tell(self, name: str, **data) -> None:
        if self.on:
            self._on_event(name, **data)

    # ---- turns

    def _turn(self) -> None:
        """The device that is due first gets its turn."""
        seat = min(self._due, key=self._due.__getitem__)
        now, due = self.clock.now(), self._due[seat]
        if due > now:
            self._timer = self.clock.call_at(due, self._turn)
            return
        desk = self.desks[seat]
        if desk.present and now - desk.heard >= desk.patience + self._interval + SILENCE_MARGIN:
            desk.lost()
        self._due[seat] = now + (self._interval if desk.present else SEARCH)
        self._send(desk, RESET if desk.reset_wanted else POLL)

    def _send(self, desk: Desk, wish: Wish) -> None:
        data = desk.spec.build_command(wish.name, desk.address, desk.mode, **wish.fields)
        self.master.ask(data, lambda outcome: self._came(desk, wish, outcome))

    def _came(self, desk: Desk, wish: Wish, outcome: Outcome) -> None:
        messages = _messages(desk, wish, outcome)
        if messages is None:
            outcome = Outcome("broken")
        if outcome.kind in ("ack", "nak", "data"):
            desk.heard = self.clock.now()
            if not desk.present:
                desk.present = True
                self._due[desk.seat] = desk.heard + self._interval // 2
        if wish is RESET:
            desk.reset_wanted = outcome.kind != "ack"
            desk.since = self.clock.now()
        elif wish is POLL:
            if outcome.kind in ("ack", "data"):
                desk.polled(messages)
        else:
            desk.outcome(wish, outcome.kind, messages or [])
        self._next(desk, wish)

    def _next(self, desk: Desk, wish: Wish) -> None:
        """One command beside the POLL, then the next turn."""
        if not self.on:
            return
        extra = desk.wants() if wish is POLL and desk.present and not desk.reset_wanted else None
        if extra:
            self._timer = self.clock.call_at(self.clock.now() + PAUSE, self._send, desk, extra)
        else:
            self._timer = self.clock.call_at(self.clock.now() + PAUSE, self._turn)


def _messages(desk: Desk, wish: Wish, outcome: Outcome) -> list[Message] | None:
    """What the data say; None if they say nothing."""
    if outcome.kind != "data":
        return []
    try:
        return desk.spec.parse_answer(wish.name, outcome.data, desk.mode)
    except Misfit:
        return None
