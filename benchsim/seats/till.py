"""What the board sells and owes: credit, vends, change, the card's session.

The price leaves the credit as a VEND is accepted; paid and not delivered, it goes back or the card is not
charged. Cash is used first, the card is asked for the rest. Unspent credit waits for the lever or the host's
REFUND. A card's session goes on after a vend where the reader allows several, else it is ended.
"""

from functools import lru_cache

from benchsim.seats.event_queue import KEEP_FREE

UNKNOWN_FUNDS = 0xFFFFFFFF
NOT_FOR_SALE = 0xFFFF  # a price
NONE, COIN, BILL, CARD = range(4)
DELIVERED, REFUSED, STOPPED, CUT = 0, 4, 5, 6
_SOURCES = {"coin": COIN, "bill": BILL}


@lru_cache(64)
def _dearest(prices: tuple[int, ...]) -> int | None:
    """The highest price, None if nothing is for sale: asked for at every request of the host."""
    return max((price for price in prices if price != NOT_FOR_SALE), default=None)


class Till:
    """The money side of one board. `pay_factory(on_event)` makes the payment bus's master."""

    def __init__(self, board, pay_factory):
        self.board, self._factory = board, pay_factory
        self.pay = None
        self._forget()

    def _forget(self) -> None:
        self.funds: int | None = None  # card funds; None: no session
        self._vend = None  # row, column, cash part, card part
        self._turning = False
        self._levered = False  # the lever was pressed during a vend

    # ---- life

    def start(self) -> None:
        """The board has booted: tell the total and a cut vend, start the bus."""
        memory, queue = self.board.memory, self.board.queue
        self._forget()
        cut, memory.vend = memory.vend, None
        if cut:
            memory.cash += cut[2]
        queue.add("CREDIT", source=NONE, amount=0, total=self.total)
        if cut:
            queue.add("VEND-DONE", row=cut[0], column=cut[1], outcome=CUT)
        self.pay = self._factory(self.happened)
        self.update_acceptance()
        if memory.owed:
            self.pay.payout(memory.owed, memory.paying)

    def stop(self) -> None:
        """Power off."""
        if self.pay:
            self.pay.stop()
        self.pay = None
        self._forget()

    def update_acceptance(self) -> None:
        """Take money only while the sale is open, or while a vend of it is under way."""
        if self.pay:
            board, memory = self.board, self.board.memory
            selling = board.sale and not board.door_open and not memory.lockout and board.queue.free >= KEEP_FREE
            self.pay.enable(selling, None, memory.cash, _dearest(tuple(memory.prices or ())))

    def set_clock(self, utc: int) -> None:
        """The host told the time of day, seconds UTC."""
        if self.pay:
            self.pay.set_clock(utc)

    # ---- what comes from the bus

    @property
    def vending(self) -> bool:
        """Is a vend under way?"""
        return self._vend is not None

    @property
    def at_rest(self) -> bool:
        """No vend, no session, no money on its way; the payment bus has only to poll."""
        return self._vend is None and self.funds is None and self.pay is not None and self.pay.at_rest

    @property
    def total(self) -> int:
        """Credit as the host sees it: cash and the card's funds, all ones where those are unknown."""
        if self.funds is None:
            return self.board.memory.cash
        return UNKNOWN_FUNDS if self.funds == UNKNOWN_FUNDS else self.board.memory.cash + self.funds

    def happened(self, name: str, **data) -> None:
        """An event of the payment bus."""
        getattr(self, "_on_" + name, lambda **_: None)(**data)

    def _on_credit(self, source: str, amount: int, tube: bool = False) -> None:
        self.board.memory.cash += amount
        self.board.memory.books.took(source, amount, tube)
        self._tell(_SOURCES[source], amount)

    def _on_tubes(self, value: int) -> None:
        self.board.memory.books.tubes = value

    def _on_serviced(self, filled: int, taken: int) -> None:
        self.board.memory.books.serviced(filled, taken)

    def _on_session(self, funds: int | None) -> None:
        self.funds = UNKNOWN_FUNDS if funds is None else funds
        self._tell(CARD, self.funds)

    def _on_session_end(self) -> None:
        if self._vend and not self._turning:  # the reader left while it was asked
            self._end_vend(REFUSED)
        if self.funds is not None:
            self.funds = None
            self._tell(NONE, 0)

    def _on_approved(self, amount: int | None = None) -> None:
        if self._vend and not self._turning:
            self._turn()
        else:
            self.pay.vend_failure()  # nobody waits for it any more

    def _on_charged(self, amount: int) -> None:
        self.board.trace.happening("board", "charge", value=amount)

    def _on_denied(self) -> None:
        if self._vend and not self._turning:
            self._end_vend(REFUSED)

    def _on_lever(self) -> None:
        if self._vend:
            self._levered = True
        else:
            self.refund()

    def _on_device(self, address: int, condition: int, code: int = 0) -> None:
        self.board.queue.add("DEVICE", address=address, condition=condition, code=code)

    def _on_paying(self, tubes: list[int] | None, asked: int) -> None:
        self.board.memory.paying = None if tubes is None else (tubes, asked)

    def _on_paid(self, amount: int, owed: int) -> None:
        self.board.memory.owed = owed
        self.board.memory.books.paid(amount)
        self.board.queue.add("PAYOUT", amount=amount, owed=owed)

    def _tell(self, source: int, amount: int) -> None:
        self.board.queue.add("CREDIT", source=source, amount=amount, total=self.total)
        self.update_acceptance()

    # ---- selling

    def vend(self, row: int, column: int, price: int) -> None:
        """An accepted VEND: the price leaves the credit, then the reader is asked, then the coil turns."""
        memory = self.board.memory
        cash = min(memory.cash, price)
        card = price - cash
        memory.cash -= cash
        if card and self.funds != UNKNOWN_FUNDS:
            self.funds -= card
        memory.vend = row, column, cash
        self._vend, self._turning = (row, column, cash, card), False
        if price:
            self._tell(NONE, 0)
        if card:
            self.pay.vend_request(card, row * self.board.coils.columns + column)
        else:
            self._turn()

    def _turn(self) -> None:
        self._turning = True
        row, column = self._vend[:2]
        self.board.coils.turn(row, column, self._end_vend)

    def interrupt(self) -> None:
        """The door was opened, or the board locked out: what turns stops (VEND-DONE outcome 5)."""
        if self._vend:
            self.board.coils.stop()
            self._end_vend(STOPPED)

    def _end_vend(self, outcome: int) -> None:
        row, column, cash, card = self._vend
        memory, turned = self.board.memory, self._turning
        self._vend, memory.vend, self._turning = None, None, False
        if outcome == DELIVERED:
            memory.counters["vends"] += 1
            self._sold(cash, card, row * self.board.coils.columns + column)
        elif card:
            self.pay.vend_failure() if turned else self.pay.vend_cancel()
        self.board.queue.add("VEND-DONE", row=row, column=column, outcome=outcome)
        if outcome != DELIVERED and (cash or card):
            memory.cash += cash
            if card and self.funds not in (None, UNKNOWN_FUNDS):
                self.funds += card
            self._tell(NONE, cash + card if self.funds is not None else cash)
        if self._levered:
            self._levered = False
            self.refund()

    def _sold(self, cash: int, card: int, item: int) -> None:
        self.board.memory.books.sold(item, cash, card)
        if card:
            self.pay.vend_success()
            if not self.pay.multivend:
                self.pay.session_complete()
        elif cash:
            self.pay.cash_sold(cash, item)

    def refund(self) -> int:
        """Give the unspent credit back. Returns the amount on its way."""
        memory = self.board.memory
        if self.funds is not None and not self._vend:
            self.pay.session_complete()
        amount, memory.cash = memory.cash, 0
        if amount:
            memory.owed += amount
            self._tell(NONE, 0)
            self.pay.payout(amount)
        return amount
