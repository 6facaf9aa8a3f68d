"""The board as master of the payment bus: break, POLL in turn, RESET of what is silent.

    power on ─► break ─► 200 ms ─► turns: POLL a device, then at most one command that its desk wants

Each present device is polled about every 100 ms, at places of its own in that time, so that turns come back to
their places after a delay. A silent one is polled on until its non-response time, then RESET again and again
(MDB/ICP 4.3 §3); at a seat where nobody ever answered, only once a minute after the first minute. What devices
mean is the desks' matter.
"""

from datetime import UTC, datetime
from functools import lru_cache
from operator import itemgetter
from typing import ClassVar

from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, ticks
from benchsim.links.bus import BusMaster, Outcome
from benchsim.schema.bus import Message
from benchsim.schema.fields import Misfit
from benchsim.seats.changer_desk import ChangerDesk
from benchsim.seats.other_desks import GatewayDesk, SatelliteDesk
from benchsim.seats.payment_desks import Desk, ValidatorDesk, Wish
from benchsim.seats.reader_desk import ReaderDesk

POLL = Wish("POLL")
RESET = Wish("RESET")
_NEVER = 1 << 62
_SECOND = itemgetter(1)


class PaymentBus:
    """The board's bus side; it starts at once. `on_event(name, **data)`, amounts in minor units:

    credit (source "coin" or "bill", amount, tube: it went into one), session (funds, None if not known), session_end,
    approved (amount), denied, charged (amount), lever, escrow (amount), full, tubes (value in them),
    serviced (filled, taken by hand), paying (tubes before the payout, or None, asked), paid (amount, owed),
    device (address, condition 0 lost, 1 ready, 2 fault, code as the device told, F1 to F3 of our own).

    Money of one machine has one currency and one number of decimals: those of the first device that tells its
    own, or `MONEY`. A device with others is started and not enabled, and FAULT is told.

    Change: money is taken while the credit is below the dearest price, and only if the known tubes could give
    the whole credit back then. What they could not is taken up to the dearest price (exact change: the customer
    can still spend all of it). Common practice.

    Another board's habits: a subclass with its own `DESKS`, `MASTER` or times (ticks).
    """

    MASTER = BusMaster
    DESKS: ClassVar[dict[str, type[Desk]]] = {
        "changer": ChangerDesk, "validator": ValidatorDesk, "cashless1": ReaderDesk, "cashless2": ReaderDesk,
        "gateway": GatewayDesk, "satellite1": SatelliteDesk, "satellite2": SatelliteDesk, "satellite3": SatelliteDesk,
    }  # fmt: skip
    MONEY: tuple[str, int] | None = None  # currency as the bus tells it, decimals
    BENCH_TIMES: ClassVar = frozenset({"_seeks_until"})
    REGULAR: ClassVar = frozenset({"_search"})
    INTERVAL: int | None = None  # POLL to POLL of a present device; None: nominal as the bus file says
    PAUSE = 2 * TICKS_PER_MS  # between two commands
    BREAK_MARGIN, SETTLE_MARGIN = 10 * TICKS_PER_MS, 20 * TICKS_PER_MS  # beyond the least length
    SILENCE_MARGIN = ticks(0.1)  # silence counts from the first unanswered POLL, an interval after the last answer
    LONGEST, SHORT = 90 * TICKS_PER_MS, 9 * TICKS_PER_MS  # what a command with its answer, and a POLL, may take
    SEEKING, SELDOM = ticks(60.0), ticks(60.0)  # for how long a seat where nobody answers is asked often; then how often
    STARVED = ticks(1.0)  # a command beside the POLLs waits no longer than this for room between them

    def __init__(self, clock, line, book, rng, on_event, seat: str = "board"):
        self.clock, self.book, self._on_event = clock, book, on_event
        self.cash_enabled = False
        self.max_credit, self.credit, self.dearest = None, 0, None
        self.auto_escrow = True  # bills of enabled types are stacked without asking
        self.on = True
        self.money = self.MONEY
        self._clock_set: tuple[int, int] | None = None  # UTC seconds, at which bench time
        self.master = self.MASTER(clock, line, book, seat)
        limits = book.bus.limits
        self._interval = self.INTERVAL or limits["poll"].nominal
        self._soonest = limits["poll"].low
        self._slack = limits["poll"].high - limits["poll"].nominal
        known = [one for spec in book.devices.values() for one in spec.seats]
        self.desks: dict[str, Desk] = {
            seat: desk(clock, book, seat, self, self._tell) for seat, desk in self.DESKS.items() if seat in known
        }
        self.changer: ChangerDesk = self.desks["changer"]
        self.validator: ValidatorDesk = self.desks["validator"]
        self.readers = [desk for desk in self.desks.values() if isinstance(desk, ReaderDesk)]
        end = self.master.hold(limits["break"].low + self.BREAK_MARGIN)
        first = end + limits["settle"].low + self.SETTLE_MARGIN
        self._third = self._interval // 3
        self._due: dict[str, int] = {}  # seats that answer: when their next POLL is due
        self._first = {seat: first + clock.skipped + i * self._third for i, seat in enumerate(self.desks)}
        self._search = dict(self._first)  # the others: when their next RESET is due, bench time
        self._seeks = True  # all of them are asked as often as in the beginning
        self._seeks_until = first + clock.skipped + self.SEEKING - max(desk.SEARCH for desk in self.desks.values())
        self._extra_at = first + clock.skipped  # when a command beside the POLLs was sent last, bench time
        self._timer = clock.call_at(first, self._turn)

    def stop(self) -> None:
        """Power off: silent at once, and nothing more is told."""
        self.on = False
        self._timer.cancel()
        self.master.stop()

    # ---- what the board asks for

    def enable(self, cash: bool, max_credit: int | None = None, credit: int = 0, dearest: int | None = None) -> None:
        """Take money or not, no coin or bill worth more than `max_credit`. `credit`: the cash that is held;
        `dearest`: the highest price (None: change is not looked at)."""
        self.cash_enabled, self.max_credit, self.credit, self.dearest = cash, max_credit, credit, dearest

    def payout(self, amount: int, paying: tuple[list[int], int] | None = None) -> None:
        """Pay out; "paid" follows, more than once if it takes several steps. `paying`: the last "paying" of a
        payout that a power cut broke off."""
        self.changer.pay(amount, paying)

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
        """The approved vend was delivered; "charged" follows once the reader knows."""
        for reader in self.readers:
            reader.settle(delivered=True)

    def vend_failure(self) -> None:
        """The approved vend was not delivered."""
        for reader in self.readers:
            reader.settle(delivered=False)

    def vend_cancel(self) -> None:
        """The vend that was asked for is no longer wanted."""
        for reader in self.readers:
            reader.cancel()

    def session_complete(self) -> None:
        """End the session; "session_end" follows."""
        for reader in self.readers:
            reader.complete()

    def cash_sold(self, price: int, item: int) -> None:
        """Something was sold for cash alone: readers that ask for it are told."""
        for reader in self.readers:
            reader.report(price, item)

    def set_clock(self, utc: int) -> None:
        """Time of day, seconds since 1970, UTC."""
        self._clock_set = utc, self.clock.bench_time()

    @property
    def multivend(self) -> bool:
        """Does the card's session go on after a vend?"""
        reader = self._in_session()
        return bool(reader and reader.multivend)

    @property
    def at_rest(self) -> bool:
        """Nothing to do but to poll: no device is starting, missing or at work."""
        regular = self._seeks or all(map(self._seldom, self._search))
        return self.on and all(desk.at_rest for desk in self.desks.values()) and regular

    # ---- what the desks ask

    def taken(self, values: list[int]) -> int:
        """Which coins or bills of these values are taken now, a bit for each."""
        if not self.cash_enabled:
            return 0
        mask, with_change = _taken(tuple(values), self.max_credit, self.credit, self.dearest)
        return mask | sum(1 << i for i in with_change if self.changer.can_pay(self.credit + values[i]))

    def is_our_money(self, currency: str, decimals: int) -> bool:
        """Does a device count in this machine's money? A country's dialling code says nothing of a currency."""
        self.money = self.money or (currency, decimals)
        ours, places = self.money
        return decimals == places and (currency == ours or currency[0] != ours[0])

    def session_elsewhere(self, asking: ReaderDesk) -> bool:
        """Has another reader a session?"""
        return any(reader.session and reader is not asking for reader in self.readers)

    def stamp(self) -> str | None:
        """Time and date as a reader is told, UTC; None if nobody set the clock. Weekday 1 = Monday, ISO week, no
        summer time, no holiday (MDB/ICP 4.3 §7)."""
        if self._clock_set is None:
            return None
        utc, since = self._clock_set
        now = datetime.fromtimestamp(utc + (self.clock.bench_time() - since) // TICKS_PER_SECOND, UTC)
        return now.strftime("%y%m%d%H%M%S") + f"{now.isoweekday():02}{now.isocalendar().week:02}0000"

    def _in_session(self) -> ReaderDesk | None:
        return next((reader for reader in self.readers if reader.session and not reader.turned_away), None)

    def _tell(self, name: str, **data) -> None:
        if self.on:
            self._on_event(name, **data)

    # ---- turns

    def _turn(self) -> None:
        """The device that is due first gets its turn."""
        seat, due = self._next_due()
        now = self.clock.now()
        self._seeks = self._seeks and self.clock.bench_time() < self._seeks_until
        if due > now:
            self._timer = self.clock.call_at(due, self._turn)
            return
        desk = self.desks[seat]
        if desk.present and now - desk.heard >= desk.patience + self._interval + self.SILENCE_MARGIN:
            desk.lost()
            del self._due[seat]
            self._search[seat] = self.clock.bench_time()
        if desk.present:
            self._due[seat] = max(due + self._interval, now + self._soonest)
        else:
            self._search[seat] = self._next_search(desk)
        self._send(desk, RESET if desk.reset_wanted else POLL)

    def _next_due(self) -> tuple[str, int]:
        """The seat whose turn is next, and when."""
        seat, due = min(self._due.items(), key=_SECOND, default=("", _NEVER))
        sought, at = min(self._search.items(), key=_SECOND, default=("", _NEVER))
        return (seat, due) if due <= at - self.clock.skipped else (sought, at - self.clock.skipped)

    def _next_search(self, desk: Desk) -> int:
        """When a silent seat is RESET again, bench time."""
        at = self._search[desk.seat]
        if desk.heard or at - self._first[desk.seat] < self.SEEKING:
            return at + desk.SEARCH
        return max(at + desk.SEARCH, (at // self.SELDOM + 1) * self.SELDOM)

    def _seldom(self, seat: str) -> bool:
        """Is it asked seldom, and at the same moments as ever after?"""
        at = self._search[seat]
        return at - self._first[seat] >= self.SEEKING and at % self.SELDOM == 0

    def _send(self, desk: Desk, wish: Wish) -> None:
        data = desk.spec.build_command(wish.name, desk.address, desk.mode, **wish.fields)
        self.master.ask(data, lambda outcome: self._came(desk, wish, outcome))

    def _came(self, desk: Desk, wish: Wish, outcome: Outcome) -> None:
        messages = _messages(desk, wish, outcome)
        if messages is None:
            outcome = Outcome("broken")
        answered = outcome.kind in ("ack", "data")  # NAK: it is there, and did not understand
        if answered:
            desk.heard = self.clock.now()
            if not desk.present:
                desk.present = True
                del self._search[desk.seat]
                self._due[desk.seat] = self._place_after(desk)
        if wish is RESET:
            desk.reset_wanted = outcome.kind != "ack"
            desk.since = self.clock.now() if answered else 0
        elif wish is POLL:
            if answered:
                desk.polled(messages)
        else:
            desk.outcome(wish, outcome.kind, messages or [])
        self._next(desk, wish is POLL and answered)

    def _place_after(self, desk: Desk) -> int:
        """The first POLL of a device that was just found: at its place, half an interval from now at least."""
        first, least = self._first[desk.seat] - self.clock.skipped, desk.heard + self._interval // 2
        return first + -(-(least - first) // self._interval) * self._interval

    def _next(self, desk: Desk, polled: bool) -> None:
        """One command beside the POLL, then the next turn."""
        if not self.on:
            return
        now = self.clock.now()
        extra = desk.wants() if polled and not desk.reset_wanted and self._has_room(now) else None
        if extra:
            self._extra_at = self.clock.bench_time()
            self._timer = self.clock.call_at(now + self.PAUSE, self._send, desk, extra)
        else:
            self._timer = self.clock.call_at(max(now + self.PAUSE, self._next_due()[1]), self._turn)

    def _has_room(self, now: int) -> bool:
        """Would every POLL still be in time after the longest of commands?"""
        end = now + self.LONGEST - self._slack
        due = sorted(self._due.values())
        in_time = all(end + n * self.SHORT <= one for n, one in enumerate(due))
        return in_time or self.clock.bench_time() - self._extra_at > self.STARVED


@lru_cache(1024)
def _taken(values: tuple[int, ...], most: int | None, credit: int, dearest: int | None) -> tuple[int, tuple[int, ...]]:
    """Coins or bills that are taken, a bit for each, and numbers of those that are if change can be given."""
    fit = [i for i, value in enumerate(values) if value and (most is None or value <= most)]
    if dearest is not None and credit >= dearest:
        return 0, ()
    with_change = tuple(i for i in fit if dearest is not None and credit + values[i] > dearest)
    return sum(1 << i for i in fit if i not in with_change), with_change


def _messages(desk: Desk, wish: Wish, outcome: Outcome) -> list[Message] | None:
    """What the data say; None if they say nothing."""
    if outcome.kind != "data":
        return []
    try:
        return desk.spec.parse_answer(wish.name, outcome.data, desk.mode)
    except Misfit:
        return None
