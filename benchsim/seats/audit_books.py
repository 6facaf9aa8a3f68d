"""What a board counts for its audit, since it was initialised and since the last reset of these counters, and the
text that it makes of it (`links.audit_text`).

The books lie in the board's memory, so they survive a power loss. Values are minor units. The counters "since reset"
begin anew at a good read, from what that read told: what was sold while it went on is not lost (common practice).

Not modelled: tokens, overpay, price lists, test vends (the board has none), readers told apart. Manual filling and
payout are known where the changer reports them.
"""

from collections import Counter

from benchsim.links.audit_text import CONTROL, frame
from benchsim.schema import currency

NOT_FOR_SALE = 0xFFFF  # a price
FAILED = {1: "NODROP", 2: "NOTURN", 3: "NOTHOME", 4: "REFUSED", 5: "STOPPED", 6: "CUT"}  # outcomes of VEND-DONE
CONDITIONS = {0: "LOST", 2: "FAULT"}  # of a payment device, and its address


class Totals:
    """Values and counts by name."""

    def __init__(self, values: Counter[str] | None = None, counts: Counter[str] | None = None):
        self._values, self._counts = Counter(values), Counter(counts)

    def add(self, name: str, value: int = 0) -> None:
        """Once more, with that value."""
        self._values[name] += value
        self._counts[name] += 1

    def tear(self, name: str) -> None:
        """A fault: its last write was cut by a loss of power, and half of the sum is lost."""
        self._values[name] //= 2

    def value(self, name: str) -> int:
        """The sum of values."""
        return self._values[name]

    def count(self, name: str) -> int:
        """How often."""
        return self._counts[name]

    def names(self, prefix: str) -> list[str]:
        """Names that begin so, sorted."""
        return sorted(name for name in self._counts if name.startswith(prefix))

    def copy(self) -> "Totals":
        """As it is now."""
        return Totals(self._values, self._counts)


class AuditBooks:
    """All totals. `paid`, `sold` and the like hear what the board does."""

    def __init__(self):
        self.ever = Totals()
        self.tubes: int | None = None  # value in the tubes as last known; None: never
        self._at_reset = Totals()

    def value(self, name: str) -> tuple[int, int]:
        """Since initialisation, since reset."""
        return self.ever.value(name), self.ever.value(name) - self._at_reset.value(name)

    def count(self, name: str) -> tuple[int, int]:
        """Since initialisation, since reset."""
        return self.ever.count(name), self.ever.count(name) - self._at_reset.count(name)

    def reset(self, told: Totals) -> None:
        """Count anew, since what was told (a `copy` of `ever`)."""
        self._at_reset = told

    # ---- what is counted

    def took(self, source: str, amount: int, tube: bool) -> None:
        """A coin or a bill became credit. `tube`: the coin went into a tube."""
        self.ever.add("bills" if source == "bill" else "tubes" if tube else "box", amount)

    def paid(self, amount: int) -> None:
        """The changer paid out."""
        if amount:
            self.ever.add("out", amount)

    def serviced(self, filled: int, taken: int) -> None:
        """Somebody filled coins into the tubes, or took some out."""
        if filled:
            self.ever.add("filled", filled)
        if taken:
            self.ever.add("by hand", taken)

    def sold(self, item: int, cash: int, card: int) -> None:
        """A product was delivered, paid by these parts."""
        price = cash + card
        self.ever.add(f"{'item' if price else 'free item'} {item}", price)
        self.ever.add("paid" if price else "free", price)
        if cash:
            self.ever.add("cash", cash)
        if card:
            self.ever.add("card", card)

    def outage(self) -> None:
        """The supply went."""
        self.ever.add("outage")

    def event(self, name: str, fields: dict) -> None:
        """An event that the board tells its host. Some are counted."""
        known = {
            "DOOR": "DOOR" if fields.get("open") else None,
            "LOCKOUT": "LOCKOUT" if fields.get("set") else None,
            "LINK-LOST": "HOSTLOST",
            "VEND-DONE": FAILED.get(fields.get("outcome", 0)),
            "DEVICE": CONDITIONS.get(fields.get("condition")),
        }
        told = known.get(name)
        if told:
            self.ever.add(f"event {told}{fields['address']:02X}" if name == "DEVICE" else f"event {told}")


class Writer:
    """Writes a board's text. `machine`: serial, model, firmware; `columns` of the coils."""

    def __init__(self, machine: dict[str, str], columns: int, id: str):
        self._machine, self._columns, self._id = machine, columns, id

    def text(self, books: AuditBooks, prices: list[int], money: tuple[str, int] | None) -> str:
        """The whole text. `prices` by item; `money`: (currency as the bus tells it, decimals), None: not known."""
        rows = [*self._head(money), *self._sums(books), *self._products(books, prices), *_events(books)]
        return frame([tuple(map(str, row)) for row in rows], self._id)

    def _head(self, money: tuple[str, int] | None) -> list[tuple]:
        who = tuple(self._machine[key] for key in ("serial", "model", "firmware"))
        rows = [("ST", "001", CONTROL), ("ID1", *who)]
        return rows + ([("ID4", money[1], money[0], currency.in_words(money[0]))] if money else [])

    def _sums(self, books: AuditBooks) -> list[tuple]:
        out, by_hand, filled = (books.value(name) for name in ("out", "by hand", "filled"))
        rows = [
            ("VA1", *_value_first(books, "paid")),
            ("VA2", 0, 0, 0, 0),
            ("VA3", *_value_first(books, "free")),
            ("CA2", *_value_first(books, "cash")),
            ("CA3", *_cash_in(books, 1), *_cash_in(books, 0)),
            ("CA4", out[1], by_hand[1], out[0], by_hand[0]),
            ("CA10", filled[1], filled[0]),
        ]
        rows += [] if books.tubes is None else [("CA15", books.tubes)]
        return [*rows, ("DA2", *_value_first(books, "card"))]

    def _products(self, books: AuditBooks, prices: list[int]) -> list[tuple]:
        rows = []
        for item in range(max(len(prices), 1 + max(_items(books), default=-1))):
            price = prices[item] if item < len(prices) else NOT_FOR_SALE
            paid, free = books.count(f"item {item}")[0], books.count(f"free item {item}")[0]
            if price == NOT_FOR_SALE and not paid and not free:
                continue
            rows.append(("PA1", self.selection(item), "" if price == NOT_FOR_SALE else price))
            rows.append(("PA2", *_count_first(books, f"item {item}")))
            if free:
                rows.append(("PA4", *_count_first(books, f"free item {item}")))
        return rows

    def selection(self, item: int) -> str:
        """The name of a coil as the customer reads it: row from 1, then column from 01."""
        return f"{item // self._columns + 1}{item % self._columns + 1:02}"


def _value_first(books: AuditBooks, name: str) -> tuple[int, int, int, int]:
    (value, value_since), (count, count_since) = books.value(name), books.count(name)
    return value, count, value_since, count_since


def _count_first(books: AuditBooks, name: str) -> tuple[int, int, int, int]:
    value, count, value_since, count_since = _value_first(books, name)
    return count, value, count_since, value_since


def _cash_in(books: AuditBooks, since: int) -> tuple[int, int, int, int]:
    parts = [books.value(name)[since] for name in ("box", "tubes", "bills")]
    return sum(parts), *parts


def _items(books: AuditBooks) -> list[int]:
    return [int(name.rpartition(" ")[2]) for prefix in ("item ", "free item ") for name in books.ever.names(prefix)]


def _events(books: AuditBooks) -> list[tuple]:
    rows = []
    for name in books.ever.names("event "):
        count, since = books.count(name)
        rows.append(("EA2", name.removeprefix("event "), since, count))
    count, since = books.count("outage")
    return [*rows, ("EA7", since, count)]

