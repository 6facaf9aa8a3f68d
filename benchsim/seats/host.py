"""The touchscreen host: asks the board, shows a screen, sells when it is tapped.

One request at a time; the next one is chosen by `_choose` each time the line is free:

    link down ─RESET answered─► start-up list (IDENT, price table, OPEN-SALE) ─► polling ─4 failures─► link down

Not modelled: drawing, payments made on the host itself.
"""

from collections import deque
from collections.abc import Iterator

from benchsim.events import ticks
from benchsim.links.kit_frames import reader_of
from benchsim.links.kit_sides import Asker, Outcome
from benchsim.schema import Misfit
from benchsim.schema.kit import KitSpec
from benchsim.seats import screen as words
from benchsim.seats.board import ALLOWED, BUSY, LOCKED, LOCKED_OUT, NOT_FOR_SALE, PRICED, SALE, SERVICE, STARTING
from benchsim.seats.cold_keeper import FAILED
from benchsim.seats.seen_events import SeenEvents
from benchsim.seats.till import UNKNOWN_FUNDS

_CLOCK_EVERY = ticks(600)
_PATIENCE = ticks(10)  # a machine that has not answered for so long is told as out of order


class Host:
    """One host. `utc` is the wall time that it tells the board at bench time 0."""

    BENCH_TIMES = frozenset({"_next_clock"})

    def __init__(self, spec: KitSpec, panel_spec: KitSpec, clock, line, panel_line, trace, prices: list[int], utc: int = 0):
        self.spec, self.clock, self.line, self.trace = spec, clock, line, trace
        self.prices, self.utc = prices, utc
        self.setpoint: tuple[int, int] | None = None  # duty, tenths of °C; None: the board keeps what it has
        self.commits = True  # a price table that was sent is put in force
        self.screen = words.Screen()
        self.asker = Asker(spec, self._say, self._done)
        self._panel_spec, self._panel_reader = panel_spec, reader_of(panel_spec)
        self._timer = None
        self.sit()
        if panel_line is not None:
            panel_line.attach("host", True, self.hear_panel)
        self.on = self._hung = False
        self._panel_there = panel_line is not None

    def sit(self) -> None:
        """Take the host's place on the kit link, if somebody else had it."""
        self.line.attach("host", True, self.hear_board)

    @property
    def at_rest(self) -> bool:
        """It only polls."""
        awaits = self.todo or self._wanted or self._waiting_for or self._finger or self._table_waits
        return self.on and self.up and self.selling and not awaits

    # ---- power

    def power_on(self) -> None:
        """Start: a starting host counts as link down."""
        self.trace.happening("host", "power", on=True, cause=0)
        self.on = True
        self.rows = self.columns = 0
        self.state, self.credit = STARTING, 0
        self._failed = self._unpriced = False  # the link since it was up; every try of a table
        self._down_since = self.clock.now()
        self.panel_heard = self.clock.bench_time()
        self._link_down(self.clock.now())
        self._seen = SeenEvents()
        self._wanted: tuple[int, int] | None = None
        self._waiting_for: tuple[int, int] | None = None
        self._price_tries, self._table_waits = 0, False
        self._setpoint_waits = False
        self._finger: tuple[int, int, int] | None = None
        self._arm()

    def power_off(self) -> None:
        """Silent at once."""
        self.trace.happening("host", "power", on=False, cause=0)
        self.on = False
        self.asker.drop()
        self.line.cut("host")
        if self._timer:
            self._timer.cancel()

    def hang(self, on: bool) -> None:
        """Its program stands still: nothing is asked, heard or shown any more; or it goes on."""
        if on == self._hung:
            return
        self._hung = on
        if on and self._timer:
            self._timer.cancel()
        elif self.on and not on:
            self._arm()

    # ---- the asking loop

    def _link_down(self, now: int) -> None:
        self.up, self.selling = False, False
        self._down_since = now
        self._wanted = None  # a tap is not kept until the link is back: its customer may have gone
        self.todo: deque = deque()
        self._next_reset = now + ticks(0.1)
        self._next_poll, self._next_clock = now, self.clock.bench_time()
        self.state = STARTING

    def _say(self, wire: bytes, at: int) -> int:
        return self.line.say("host", tuple(wire), at).end

    def hear_board(self, burst) -> None:
        """What came in at the board's port."""
        if self.on and not self._hung:
            self.asker.hear(burst)
            self._arm()

    def _arm(self) -> None:
        if self._timer:
            self._timer.cancel()
        if self._hung:
            return
        now = self.clock.now()
        if not self.asker.busy:
            self._choose(now)
        if self.asker.busy:
            when = max(self.asker.deadline, self.line.under_way(out=False) or 0)
        else:
            when = self._next_poll if self.up else self._next_reset
        self._timer = self.clock.call_at(max(when, now + 1), self._due)

    def _due(self) -> None:
        if self.line.under_way(out=False) is None:  # a begun answer is awaited to its end
            self.asker.due(self.clock.now())
        self._arm()

    def _choose(self, now: int) -> None:
        if not self.up:
            if now >= self._next_reset:
                self._next_reset = now + self.spec.limits["reset"].nominal
                self.asker.ask("RESET", now)
        elif now >= self._next_poll:
            limit = self.spec.limits["poll"]  # after a delay back to its place, as far as the limit lets it
            self._next_poll = max(self._next_poll + limit.nominal, now + limit.low)
            self.asker.ask("POLL", now)
        elif self.todo:
            name, fields = self.todo.popleft()
            self.asker.ask(name, now, **fields)
        elif self._wanted and self._waiting_for is None:
            self._sell(now)
        elif self.selling and "CLOCK" in self.spec.by_name and (time := self.clock.bench_time()) >= self._next_clock:
            self._next_clock = time + _CLOCK_EVERY
            self.asker.ask("CLOCK", now, utc=self.utc + time // ticks(1))

    def _done(self, outcome: Outcome, now: int) -> None:
        if outcome.answer is None:
            if outcome.name != "RESET":
                self._failed = True
                self._link_down(now)
            self.show()
            return
        if not outcome.answer.status:
            self.screen.service.answered(outcome.name, outcome.answer.fields)
        handler = getattr(self, "_got_" + outcome.name.lower().replace("-", "_"), None)
        if handler:
            handler(outcome.answer.status, outcome.answer.fields, now)

    # ---- start-up

    def _got_reset(self, status: int, fields: dict, now: int) -> None:
        self.up, self.selling = True, False
        self._seen.reset()
        self._next_poll = now + self.spec.limits["poll"].nominal
        self.todo = deque([("IDENT", {})])
        self._price_tries, self._table_waits = 0, False
        self._failed = self._unpriced = False
        self.show(words.STARTING)

    def _got_ident(self, status: int, fields: dict, now: int) -> None:
        if status:
            return
        self.rows, self.columns = fields["rows"], fields["columns"]
        self._send_setpoint()
        self._send_table()

    def _send_setpoint(self) -> None:
        self._setpoint_waits = False
        if self.setpoint and "SETPOINT" in self.spec.by_name:
            duty, tenths = self.setpoint
            self.todo.append(("SETPOINT", {"duty": duty, "tenths": tenths}))

    def _got_setpoint(self, status: int, fields: dict, now: int) -> None:
        self._setpoint_waits = bool(status)  # not taken in this state: again once it can be
        if not status:
            self.screen.service.setpoint = self.setpoint

    def change_setpoint(self, duty: int, tenths: int) -> None:
        """From now on another duty and temperature; an open sale is closed for it and opened again."""
        self.setpoint = duty, tenths
        if self.up and self.state == SALE:
            self.todo.append(("CLOSE-SALE", {}))
        self._setpoint_waits = True

    def _send_table(self) -> None:
        table = self.table()
        self._table_waits = False
        self._price_tries += 1
        self.todo.append(("PRICE-BEGIN", {"entries": len(table)}))
        for first in range(0, len(table), self.spec.part):
            part = table[first : first + self.spec.part]
            self.todo.append(("PRICE-PART", {"first": first, "n": len(part), "prices": part}))
        self.todo.append(("PRICE-COMMIT", {"check": self.spec.table_check(table)}) if self.commits else ("OPEN-SALE", {}))

    def table(self) -> list[int]:
        """The whole price table, row by row."""
        cells = self.rows * self.columns
        return (self.prices + [NOT_FOR_SALE] * cells)[:cells]

    def _got_price_begin(self, status: int, fields: dict, now: int) -> None:
        if status in (LOCKED_OUT, BUSY):  # no table is taken now: again once the state allows it
            self.todo.clear()
            self._price_tries, self._table_waits = 0, True
        elif status:
            self._table_refused()

    _got_price_part = _got_price_begin

    def _got_price_commit(self, status: int, fields: dict, now: int) -> None:
        if status:
            self._table_refused()
        else:
            self._unpriced = False
            self.screen.grid = self._grid()
            self.todo.append(("OPEN-SALE", {}))

    def _grid(self) -> list[list[int | None]]:
        prices = [None if price == NOT_FOR_SALE else price for price in self.table()]
        return [prices[at : at + self.columns] for at in range(0, len(prices), self.columns)]

    def _table_refused(self) -> None:
        self.todo.clear()
        if self._price_tries < self.spec.limits["price_tries"].high:
            self._send_table()
        else:
            self._unpriced = True
            self.show()

    def _got_open_sale(self, status: int, fields: dict, now: int) -> None:
        if not status:
            self.selling, self.state = True, SALE
            self.show(words.READY)

    # ---- polling

    def _got_poll(self, status: int, fields: dict, now: int) -> None:
        if status:
            return
        self.credit, self.state = fields["credit"], fields["state"]
        for event in fields["events"]:
            self.take(event)
        if self.state == SALE:  # no vend is under way: one whose answer was lost never began, or has ended
            self._waiting_for = None
        self._reopen()
        self.show()

    def take(self, event) -> None:
        """An event of the board, maybe not for the first time."""
        if not self._seen.is_new(event):
            return
        self.screen.service.heard(event.name, event.fields)
        handler = getattr(self, "_event_" + event.name.lower().replace("-", "_"), None)
        if handler:
            handler(event.fields)

    def _reopen(self) -> None:
        if self._setpoint_waits and self.state in ALLOWED["SETPOINT"]:
            self._send_setpoint()
        if self._table_waits and self.state in ALLOWED["PRICE-BEGIN"]:
            self._send_table()
        opening = any(name in ("OPEN-SALE", "PRICE-COMMIT", "IDENT") for name, _ in self.todo)
        if self.state == PRICED and not opening:
            self.todo.append(("OPEN-SALE", {}))
        elif self.state == STARTING and not opening and self.up and self.selling:
            self._restart()
        elif self.state in (SERVICE, LOCKED):
            self.screen.said = words.PAUSED
        elif self.state == SALE and self.screen.said in (words.PAUSED, words.STARTING):
            self.screen.said = words.READY

    def _restart(self) -> None:
        now = self.clock.now()
        self._link_down(now)
        self._next_reset = now

    def _event_booted(self, fields: dict) -> None:
        self._seen.forget()
        self._waiting_for = self._wanted = None
        self._restart()

    def _event_vend_done(self, fields: dict) -> None:
        self._waiting_for = None
        outcome = fields["outcome"]
        self.show(words.SOLD if outcome == 0 else words.REFUSED if outcome == 4 else words.NOT_DELIVERED)

    # ---- the customer

    def hear_panel(self, burst) -> None:
        """What came in at the panel's port."""
        if not self.on or self._hung:
            return
        for frame in self._panel_reader.feed(burst):
            if frame.broken:
                continue
            try:
                report = self._panel_spec.parse_report(frame.body)
            except Misfit:
                continue
            self._finger_at(report, frame.end)

    def _finger_at(self, report: dict, now: int) -> None:
        self.panel_heard = now + self.clock.skipped
        if report["down"] and self._finger is None:
            self._finger = now, report["x"], report["y"]
        elif not report["down"] and self._finger is not None:
            since, x, y = self._finger
            self._finger = None
            if now - since <= self._panel_spec.limits["stuck"].high and self.rows:
                self.tapped(y * self.rows // 4096, x * self.columns // 4096)

    def tapped(self, row: int, column: int) -> None:
        """A selection was tapped."""
        price = self.table()[row * self.columns + column]
        if price == NOT_FOR_SALE:
            self.show(words.SOLD_OUT)
        elif self.may_sell(price):
            self._wanted = row, column
        elif self.state == SALE:
            self.show(needed=price)

    def may_sell(self, price: int) -> bool:
        """Sale open as the last answer told, and enough credit (or a card whose funds are unknown)."""
        return self.state == SALE and self._waiting_for is None and (
            self.credit == UNKNOWN_FUNDS or self.credit >= price
        )

    def _sell(self, now: int) -> None:
        (row, column), self._wanted = self._wanted, None
        price = self.table()[row * self.columns + column]
        if self.may_sell(price):
            self._waiting_for = row, column
            self.screen.needed = None
            self.show(words.TURNING)
            self.asker.ask("VEND", now, row=row, column=column, price=price)

    def _got_vend(self, status: int, fields: dict, now: int) -> None:
        if status:
            self._waiting_for = None
            self.show(words.READY)

    # ---- the service page

    def service(self) -> None:
        """Somebody asks for a survey of the coils and for the board's counters. Without a link nothing comes."""
        if self.on and self.up:
            self.todo += [(name, {}) for name in ("SURVEY", "COUNTERS") if name in self.spec.by_name]

    def _event_survey_done(self, fields: dict) -> None:
        self.todo.append(("SURVEY-READ", {"first": 0}))

    # ---- what is shown

    def show(self, said: str | None = None, needed: int | None = None) -> None:
        """Bring the screen up to date, `said` being the message of the sale, `needed` the price of what was tapped; what
        has changed is told to the bench.
        """
        screen = self.screen
        before = screen.shown()
        screen.said = said or screen.said
        screen.needed = screen.needed if needed is None else needed
        screen.credit = None if self.credit == UNKNOWN_FUNDS else self.credit
        screen.page = words.SERVICE_PAGE if self.state == SERVICE else words.SALE_PAGE
        screen.service.state = self.state
        screen.causes = tuple(self._causes(self.clock.now()))
        if screen.shown() != before:
            self.trace.happening("host", "screen", text=screen.text, credit=screen.credit, page=screen.page,
                                 out_of_order=bool(screen.causes))  # fmt: skip

    def _causes(self, now: int) -> Iterator[str]:
        """Why it is out of order, the gravest first."""
        limits = self._panel_spec.limits
        if self._failed or (not self.up and now - self._down_since > _PATIENCE):
            yield words.NO_BOARD
        if self._unpriced:
            yield words.NO_PRICES
        if self.state == LOCKED:
            yield words.LOCKED_BLIND if self.screen.service.lockout == FAILED else words.LOCKED
        if self._panel_there and self.clock.bench_time() - self.panel_heard > limits["lost"].high:
            yield words.NO_PANEL
        if self._finger and now - self._finger[0] > limits["stuck"].high:
            yield words.PANEL_HELD
