"""Money over all links: what went in must be sold, paid out or still be there.

What coins, bills, cards and payouts really did comes from off the links (what a card was charged, from the bus
where that is heard: VEND SUCCESS); what the board says of it from the kit link. Both are compared only at quiet
moments: no vend, no session, nothing on its way.

What the board could not know is not held against it: a coin whose changer was reset before it told of it, a reader
reset between approval and success, an event that came twice because the board's ACK was spoilt.
"""

from collections import deque
from itertools import combinations

from benchsim.events import TICKS_PER_SECOND

UNKNOWN_FUNDS = 0xFFFFFFFF  # kit link reference
VENDING = 4  # state in the answer to POLL, kit link reference
DELIVERED = 0  # outcome of VEND-DONE
QUIET = 3 * TICKS_PER_SECOND  # since money last moved; common practice
PAYING = 30 * TICKS_PER_SECOND  # a payout takes no longer; common practice
SOURCES = {1: "coin", 2: "bill"}  # of CREDIT, kit link reference
KEPT = {"COIN DEPOSITED": (0, 1), "BILL": (0, 3)}  # routes by which money stays, MDB/ICP 4.3 §5, §6
MOST_DOUBTS = 6  # amounts in doubt at once that are looked at in every combination


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

    def skip(self, events: list) -> None:
        """These were told while nobody listened."""
        self._seen += [(event.number, event.name, event.raw) for event in events]


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
        self.resting = False  # nothing moved since the last quiet moment
        self.paying: int | None = None  # since when money is on its way out
        self.sessions: dict[str, None] = {}  # readers with a card in
        self.escrow = False
        self.doubts: list[int] = []  # what may be missing (negative: too much) for a reason the board cannot know
        self.carded, self.levered = -QUIET, -PAYING - 1  # ticks of the last word of a card, of the return lever
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
        elif kind == "payout":
            self.paid += data["value"]
            self.paying = happening.time if self.paying is None else self.paying  # until the board tells of it
        if kind == "bill":
            self.escrow = data["to"] == "escrow"
        if kind == "card":
            self.card(happening.seat, data["state"], happening.time)
        self.seen[kind] = None
        self.move(happening.time)

    def card(self, seat: str, state: str, tick: int) -> None:
        """A card goes into a reader, or out, or something else becomes of it."""
        self.carded = tick
        if state == "in":
            self.sessions[seat] = None
        elif state == "out":
            self.sessions.pop(seat, None)
        self.move(tick)

    def charge(self, value: int, tick: int) -> None:
        """A card pays."""
        self.charged += value
        self.seen["charge"] = None
        self.move(tick)

    def excuse(self) -> None:
        """If doubts explain what is missing, they were true."""
        doubts = self.doubts[-MOST_DOUBTS:]
        for n in range(1, len(doubts) + 1) if self.missing else ():
            for some in combinations(doubts, n):
                if sum(some) == self.missing:
                    self.base -= self.missing
                    for one in some:
                        self.doubts.remove(one)
                    return

    def age(self, length: int) -> None:
        """So many ticks were leapt over."""
        self.moved, self.carded, self.levered = self.moved - length, self.carded - length, self.levered - length

    def move(self, tick: int) -> None:
        """Money moved, or may have."""
        self.moved, self.changed, self.resting = tick, True, False

    def quiet(self, now: int) -> bool:
        """Is nothing on its way?"""
        if self.sessions or self.escrow or self.blind or self.credit in (None, UNKNOWN_FUNDS):
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


class Bank:
    """The bus as far as money is told on it: charges of cards, sessions, coins and bills that were told.

    `charged(value, tick, asked)`: a card pays for the VEND REQUEST of tick `asked`.
    """

    def __init__(self, books: Books, charged):
        self.books, self._charged = books, charged
        self._untold: dict[str, list[int]] = {}  # money that a device took and has not told of
        self._vends: dict[str, tuple[int, int, bool]] = {}  # reader -> price asked for, when, approved
        self._scales: dict[str, int] = {}

    def calls(self, judge) -> dict:
        """What to hear."""
        self._ack, self._out = judge.book.bus.ack, judge.links["bus"].out
        answers = {f"bus.answer.{name}": self._answer for name in ("RESET", "VEND REQUEST", "VEND SUCCESS", "VEND FAILURE")}
        return answers | {"bus.reply": self._reply, "bus.done.VEND SUCCESS": self._done, "bus.break": self._broke,
                          "bus.power": self._power}  # fmt: skip

    def took(self, seat: str, value: int) -> None:
        """A device took a coin or bill."""
        self._untold.setdefault(seat, []).append(value)

    def _reset(self, seat: str) -> None:
        """What the device had not told is lost; whether a vend that was approved is charged nobody knows."""
        self.books.doubts += self._untold.pop(seat, [])
        price, _, approved = self._vends.pop(seat, (0, 0, False))
        if approved:
            self.books.doubts.append(-price)
        self.books.sessions.pop(seat, None)

    def _answer(self, x, heard) -> None:
        refused = x.kind == "nak" or any(message.name == "OUT OF SEQUENCE" for message in x.messages)
        if x.name == "RESET":
            self._reset(x.seat)
        elif x.name == "VEND REQUEST" and not refused:
            self._vends[x.seat] = x.message.fields["price"] * self._scales.get(x.seat, 1), x.command.start, False
        elif x.name in ("VEND SUCCESS", "VEND FAILURE") and x.seat in self._vends:
            price, asked, approved = self._vends.pop(x.seat)
            if refused:
                self.books.doubts.append(-price)
            elif x.name == "VEND SUCCESS":
                self._charged(price, heard.start, asked)

    def _reply(self, x) -> None:
        if x.kind != "answer" or not x.answer.intact or x.unfit:
            return
        spoilt = not x.reply.intact
        for message in x.messages if spoilt or x.reply.data[0] == self._ack else ():
            self._told(x, message, spoilt)

    def _told(self, x, message, spoilt: bool) -> None:
        name, fields = message.name, message.fields
        if name in KEPT and fields["route"] in KEPT[name] and self._untold.get(x.seat):
            if spoilt:  # it was heard, and will be told again
                self.books.doubts.append(-self._untold[x.seat][0])
            else:
                self._untold[x.seat].pop(0)
        elif name == "CONFIG" and "scale" in fields:  # a reader's, no gateway's
            self._scales[x.seat] = fields["scale"]
        elif name == "BEGIN SESSION":
            self.books.card(x.seat, "in", x.answer.start)
        elif name in ("END SESSION", "JUST RESET"):
            open_before = x.seat in self.books.sessions
            if name == "JUST RESET" or x.seat in self._vends:
                self._reset(x.seat)
            if open_before:
                self.books.card(x.seat, "out", x.answer.start)
        elif name == "VEND APPROVED" and x.seat in self._vends:
            self._vends[x.seat] = *self._vends[x.seat][:2], True
        elif name == "VEND DENIED":
            self._vends.pop(x.seat, None)

    def _done(self, x) -> None:
        if x.name == "VEND SUCCESS" and x.answer is None and x.seat in self._vends:
            self._vends[x.seat] = *self._vends[x.seat][:2], True  # it may have been heard: a refusal now is no surprise

    def _broke(self, heard) -> None:
        for seat in [*self._untold, *self._vends, *self.books.sessions]:
            self._reset(seat)

    def _power(self, seat: str, on: bool) -> None:
        self._broke(None) if seat == self._out else self._reset(seat)


class Cashier:
    """Keeps the books from what is told, and calls `settled(answer)` at each quiet moment, `ended(vend,
    outcome, answer)` at each VEND-DONE, and with None where a vend is over and none came. `charges`: (tick, and from
    when the vend is that a card paid for)."""

    def __init__(self, judge, settled, ended):
        self.judge, self._settled, self._ended = judge, settled, ended
        self.books, self.vends, self._events = Books(), Vends(), NewEvents()
        self.bank = Bank(self.books, self.charged) if "bus" in judge.links else None
        self.charges: list[tuple[int, int]] = []
        self._sold_since = False  # a VEND since the last POLL: then a falling credit is no payout

    def calls(self) -> dict:
        """What to hear, for a rule."""
        calls = {"kit.request": self.request, "kit.answer": self.answer, "open": self.open, "until": self.until, "leap": self.books.age, "handed over": self._events.skip,
                 **{f"happening.{kind}": self.told for kind in ("coin", "bill", "payout", "card")}}  # fmt: skip
        if self.bank is None:
            return calls | {"happening.charge": lambda h: self.charged(h.data["value"], h.time, h.time)}
        return calls | self.bank.calls(self.judge) | {"bus.answer.data": self.lever}

    def open(self) -> bool:
        """Is money on its way, or nobody knows what there is?"""
        books = self.books
        if books.blind:  # they are never settled
            return False
        unknown = books.sessions or books.escrow or books.credit in (None, UNKNOWN_FUNDS)
        return books.paying is not None or bool(self.vends.open) or bool(unknown) and not books.resting

    def until(self) -> int | None:
        """When what has moved is settled."""
        return None if self.books.resting or self.books.blind else self.books.moved + QUIET

    def charged(self, value: int, tick: int, asked: int) -> None:
        """A card pays for a vend that was asked for at tick `asked`."""
        self.charges.append((tick, asked))
        self.books.charge(value, tick)

    def told(self, happening) -> None:
        """Something that moved money, off the links."""
        before = self.books.put_in
        self.books.told(happening)
        if self.bank and self.books.put_in != before:
            self.bank.took(happening.seat, self.books.put_in - before)

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
            books.excuse()
            self._settled(heard)
            books.resting = True

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
