"""Money over all links: what went in must be sold, paid out or still be there.

What coins, bills, cards and payouts really did comes from off the links; what the board says of it from
the kit link. Both are compared only at quiet moments: no vend, no session, nothing on its way.
"""

from collections import deque

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.core import rule

UNKNOWN_FUNDS = 0xFFFFFFFF  # kit link reference
VENDING = 4  # state in the answer to POLL, kit link reference
DELIVERED = 0  # outcome of VEND-DONE
QUIET = 3 * TICKS_PER_SECOND  # since money last moved; common practice
PAYING = 30 * TICKS_PER_SECOND  # a payout takes no longer; common practice
NO_MACHINE = "what happens off the links (coins, bills, coils, door) is not told here"
NO_DEVICES = "coins and bills go into devices that the bench does not see into"
SOURCES = {1: "coin", 2: "bill"}  # of CREDIT, kit link reference


class NewEvents:
    """Events of POLL answers, each once, though the board offers them until they are acknowledged."""

    def __init__(self):
        self._seen: deque = deque(maxlen=64)

    def of(self, answer) -> list:
        """Those of this answer that no earlier one carried."""
        new = []
        for event in answer.message.fields["events"]:
            if event.name == "BOOTED" and (event.number, event.raw) not in self._seen:
                self._seen.clear()
            key = event.number, event.name, event.raw
            if key not in self._seen:
                self._seen.append(key)
                new.append(event)
        return new


class Vends:
    """VENDs that the board may have taken, until their VEND-DONE. Each is a dict of its request."""

    def __init__(self):
        self.open: list[dict] = []

    def request(self, x) -> None:
        """A new request of the host."""
        if x.name == "VEND" and x.first.message is not None and not x.repeat:
            self.open.append({"x": x, "at": x.first, "taken": None, **x.fields})

    def answer(self, x) -> None:
        """Taken, or refused."""
        for vend in self.open:
            if vend["x"] is x:
                vend["taken"] = x.ok
        self.open = [vend for vend in self.open if vend["taken"] is not False]

    def done(self, event) -> dict | None:
        """The VEND that a VEND-DONE ends."""
        for vend in self.open:
            if (vend["row"], vend["column"]) == (event.fields["row"], event.fields["column"]):
                self.open.remove(vend)
                return vend
        return None


class Books:
    """The judge's own account of one case."""

    def __init__(self):
        self.put_in = self.charged = self.paid = self.sales = self.owed = 0
        self.credit: int | None = None
        self.base: int | None = None  # credit and debts that were there before the books began
        self.moved = 0  # tick of the last movement
        self.changed = False  # since the last comparison
        self.paying: int | None = None  # since when money is on its way out
        self.session = self.escrow = False
        self.carded = self.levered = -QUIET  # ticks of the last word of a card, of the return lever
        self.seen: dict[str, None] = {}  # kinds of money happenings so far
        self.blind = False

    @property
    def missing(self) -> int:
        """What is lost (positive) or made out of nothing."""
        return self.base + self.put_in + self.charged - self.sales - self.paid - self.credit - self.owed

    def told(self, happening) -> None:
        """Something that moved money."""
        kind, data = happening.kind, happening.data
        if kind == "coin" and data["to"] in ("tube", "box") or kind == "bill" and data["to"] == "stacked":
            self.put_in += data["value"]
        elif kind == "charge":
            self.charged += data["value"]
        elif kind == "payout":
            self.paid += data["value"]
        if kind == "bill":
            self.escrow = data["to"] == "escrow"
        if kind == "card":
            self.session = data["state"] not in ("out", "refused")
            self.carded = happening.time
        self.seen[kind] = None
        self.move(happening.time)

    def move(self, tick: int) -> None:
        """Money moved, or may have."""
        self.moved, self.changed = tick, True

    def quiet(self, now: int) -> bool:
        """Is nothing on its way?"""
        if self.session or self.escrow or self.blind or self.credit in (None, UNKNOWN_FUNDS):
            return False
        if self.paying is not None and now - self.paying <= PAYING:
            return False
        return now - self.moved > QUIET

    def text(self) -> str:
        """The account in words."""
        lost = self.missing
        found = f"{abs(lost)} {'lost' if lost > 0 else 'made out of nothing'}" if lost else "all accounted for"
        into = self.base + self.put_in + self.charged
        return f"in {into} = sales {self.sales} + paid {self.paid} + owed {self.owed} + credit {self.credit}: {found}"


class Cashier:
    """Keeps the books from what is told, and calls `settled(answer)` at each quiet moment, `ended(vend,
    outcome, answer)` at each VEND-DONE, and with None where a vend is over and none came."""

    def __init__(self, judge, settled, ended):
        self.judge, self._settled, self._ended = judge, settled, ended
        self.books, self.vends, self._events = Books(), Vends(), NewEvents()
        self._sold_since = False  # a VEND since the last POLL: then a falling credit is no payout

    def calls(self) -> dict:
        """What to hear, for a rule."""
        kinds = ("coin", "bill", "charge", "payout", "card")
        return {"kit.request": self.request, "kit.answer": self.answer, "bus.answer": self.lever,
                **{f"happening.{kind}": self.books.told for kind in kinds}}  # fmt: skip

    def request(self, x) -> None:
        self.vends.request(x)
        if x.name == "VEND":
            self._sold_since = True

    def lever(self, x, heard) -> None:
        """The customer asks for the credit, as the bus tells it."""
        if any(message.name == "ESCROW REQUEST" for message in x.messages):
            self.books.levered = heard.start

    def answer(self, x, heard) -> None:
        books = self.books
        self.vends.answer(x)
        if x.name == "VEND" and x.ok:
            books.move(heard.start)
        elif x.name == "REFUND" and x.ok and heard.message.fields["amount"]:
            books.paying = heard.start
            books.move(heard.start)
        elif x.name == "POLL" and x.ok:
            self._poll(heard)

    def _poll(self, heard) -> None:
        books, fields = self.books, heard.message.fields
        before, books.credit = books.credit, fields["credit"]
        if books.base is None and books.credit != UNKNOWN_FUNDS and not books.seen:
            books.base = books.credit
        for event in self._events.of(heard):
            self._event(event, heard)
        if before is not None and books.credit < before and self._may_be_payout(heard.start):
            books.paying = heard.start if books.paying is None else books.paying
        if books.credit != before:
            books.move(heard.start)
        self._sold_since = False
        if not fields["events"] and fields["state"] != VENDING and books.quiet(heard.start):
            self._at_rest(heard)

    def _may_be_payout(self, now: int) -> bool:
        """Can the credit have fallen because it is being paid out?"""
        asked = "bus" not in self.judge.links or now - self.books.levered <= PAYING
        return asked and not self._sold_since and now - self.books.carded > QUIET

    def _at_rest(self, heard) -> None:
        books = self.books
        if books.base is None:
            books.base = 0
            books.base = -books.missing
        for vend in list(self.vends.open):
            if heard.start - vend["at"].end > QUIET:
                self.vends.open.remove(vend)
                self._ended(vend, None, heard)
        if not self.vends.open:
            self._settled(heard)

    def _event(self, event, heard) -> None:
        books, fields = self.books, event.fields
        if event.name == "PAYOUT":
            books.owed, books.paying = fields["owed"], None
            books.move(heard.start)
        elif event.name == "CREDIT" and fields["amount"] and SOURCES.get(fields["source"], "coin") not in books.seen:
            books.blind = books.blind or fields["source"] in SOURCES
        elif event.name == "VEND-DONE":
            vend = self.vends.done(event)
            books.move(heard.start)
            if vend and fields["outcome"] == DELIVERED:
                books.sales += vend["price"]
            if vend:
                self._ended(vend, fields["outcome"], heard)


def off_the_links(tally, judge, seats) -> dict:
    """Calls that tell why a rule was not tested where nothing off the links is told."""
    told = []

    def end(tick):
        if not told:
            for seat in seats:
                tally.unseen(seat, NO_MACHINE)

    return {"happening": lambda happening: told or happening.kind == "case" or told.append(1), "end": end}


@rule("SYS-MONEY", judged="board", link="kit", source="kit link reference; common practice")
def money(tally, judge):
    """At every quiet moment money in = sales + change paid + credit held; no coin, bill or charge is lost or made."""
    board = judge.book.kit.answers

    def settled(heard):
        books = cashier.books
        if not books.changed or not books.seen:
            return
        books.changed = False
        tally.check(board, books.missing == 0, heard, books.text())
        books.base -= books.missing  # told once, then the books go on from here

    def end(tick):
        if cashier.books.blind:
            tally.unseen(board, NO_DEVICES)

    cashier = Cashier(judge, settled, lambda *_: None)
    sight = off_the_links(tally, judge, [board])
    return cashier.calls() | sight | {"end": lambda tick: (end(tick), sight["end"](tick))}


@rule("SYS-PAID-OR-DELIVERED", judged="board", link="kit", source="kit link reference")
def paid_or_delivered(tally, judge):
    """A paid vend ends delivered, credited back, or not charged."""
    board = judge.book.kit.answers
    drops = []  # ticks at which something fell
    coils = []  # told at all
    charges = []
    given_back = []  # VENDs that failed, until the books can tell

    def ended(vend, outcome, heard):
        since = vend["at"].start
        if not vend["price"]:
            return
        if outcome is None:
            if vend["taken"]:
                tally.check(board, False, vend["at"], "taken, and no VEND-DONE tells of its end")
        elif outcome == DELIVERED:
            if coils:
                fell = any(tick >= since for tick in drops)
                tally.check(board, fell, heard, "" if fell else "told as delivered, and nothing fell")
        elif any(tick >= since for tick in charges):
            tally.check(board, False, heard, "charged, and not delivered")
        else:
            given_back.append(vend)

    def settled(heard):
        books = cashier.books
        if given_back:
            back = books.missing <= 0
            tally.check(board, back, given_back[-1]["at"], "" if back else f"not delivered: {books.text()}")
            given_back.clear()
            books.base -= books.missing

    cashier = Cashier(judge, settled, ended)
    calls = cashier.calls()
    told = calls["happening.charge"]
    calls["happening.charge"] = lambda h: (charges.append(h.time), told(h))
    calls["happening.drop"] = lambda h: drops.append(h.time)
    calls["happening.coil"] = lambda h: coils or coils.append(1)
    return calls | off_the_links(tally, judge, [board])
