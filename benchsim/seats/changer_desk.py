"""What the board knows of the changer: coins, the tubes, and a payout in steps.

    plan from known tubes ──► PAYOUT (or DISPENSE) ──► busy … ──► PAYOUT STATUS or TUBE STATUS ──► paid, owed

Never more is asked for than the tubes are known to hold, and nothing new while the changer pays.
"""

from benchsim.events import ticks
from benchsim.schema.bus import Message, Mode
from benchsim.seats.payment_desks import Desk, Wish

MOST_COINS = 15  # that one DISPENSE can carry (MDB/ICP 4.3 §5)
MOST_UNITS = 0xFF  # that one PAYOUT can carry


class ChangerDesk(Desk):
    """Coin changer. `owed` is what the board still has to pay, minor units."""

    NAME = "changer"
    START = ("SETUP", "TUBE STATUS", "IDENTIFICATION", "FEATURES", "COIN TYPE")
    FAULTS = frozenset(
        {"TUBE SENSOR DEFECTIVE", "ACCEPTOR UNPLUGGED", "TUBE JAM", "ROM CHECKSUM", "COIN JAM"}
    )
    TUBES_EVERY = ticks(20.0)

    def __init__(self, clock, book, seat: str, bus, tell):
        self.owed = 0
        self._payout: list[int] | None = None  # tubes before the payout under way
        self._asked = 0  # value of it
        super().__init__(clock, book, seat, bus, tell)

    def clear(self) -> None:
        self.values: list[int] = []
        self.tubes: list[int] = []
        self.mask, self.scaling = 0, 1
        self.busy = False
        self._tubes_at = 0
        self._alternative = False  # it makes up values itself
        self._stuck = False  # nothing owed can be paid until the tubes change
        self._check = self._payout is not None  # ask the tubes what a broken-off payout has paid

    # ---- what the board asks for

    def pay(self, amount: int) -> None:
        """Pay out that much more; "paid" tells what went and what is still owed."""
        self.owed += amount
        self._stuck = False
        if not self.ready or not any(self._plan()):
            self._stuck = True
            self.tell("paid", amount=0, owed=self.owed)

    def _plan(self) -> list[int]:
        """Coins of each type for what is owed, the largest first, from what the tubes are known to hold."""
        plan, left = [0] * len(self.tubes), self.owed
        for coin in sorted(range(min(len(self.tubes), len(self.values))), key=lambda c: -self.values[c]):
            if value := self.values[coin]:
                plan[coin] = min(self.tubes[coin], left // value)
                left -= plan[coin] * value
        return plan

    # ---- turns

    def fields(self, step: str) -> dict | None:
        match step:
            case "IDENTIFICATION":
                return {} if self.mode.level >= 3 else None
            case "FEATURES":
                return {"features": int(self._alternative)} if self.mode.level >= 3 else None
            case "COIN TYPE":
                self._sent = self.wanted_mask()
                return {"accept": self._sent, "manual": 0}
        return {}

    def wanted_mask(self) -> int:
        """Types to take: enabled, of a known value, not above what may still be credited."""
        if not self.bus.cash_enabled:
            return 0
        most = self.bus.max_credit
        return sum(1 << i for i, v in enumerate(self.values) if v and (most is None or v <= most))

    def wishes(self) -> Wish | None:
        if self._payout is not None:
            return self._asking_what_was_paid()
        if self.wanted_mask() != self.mask:
            return Wish("COIN TYPE", self.fields("COIN TYPE"))
        if self.owed and not self._stuck and not self.busy:
            return self._begin()
        return Wish("TUBE STATUS") if self.clock.now() >= self._tubes_at else None

    def _begin(self) -> Wish | None:
        plan = self._plan()
        total = sum(n * value for n, value in zip(plan, self.values, strict=False))
        if not total:
            self._stuck = True
            return None
        if self.mode.features & 1 and total // self.scaling <= MOST_UNITS:
            return self._started(total, Wish("PAYOUT", {"value": total // self.scaling}, once=True))
        coin = max((c for c, n in enumerate(plan) if n), key=lambda c: self.values[c])
        count = min(plan[coin], MOST_COINS)
        return self._started(
            count * self.values[coin], Wish("DISPENSE", {"count": count, "coin": coin}, once=True)
        )

    def _started(self, value: int, wish: Wish) -> Wish:
        self._payout, self._asked, self._check = list(self.tubes), value, wish.name == "DISPENSE"
        self.busy = True
        return wish

    def _asking_what_was_paid(self) -> Wish | None:
        if self.busy:
            return None
        return Wish("TUBE STATUS" if self._check else "PAYOUT STATUS")

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        if wish.name == "COIN TYPE" and kind == "ack":
            self.mask = self._sent
        if wish.name == "FEATURES" and kind == "ack":
            self.mode = self.mode._replace(features=int(self._alternative))
        super().outcome(wish, kind, messages)

    def done(self, wish: Wish, kind: str) -> None:
        if wish.name in ("PAYOUT", "DISPENSE"):
            if kind == "nak":  # not taken
                self._payout, self.busy = None, False
            elif kind != "ack":
                self._check = True  # it may have been heard: the tubes will tell

    def polled(self, messages: list[Message]) -> None:
        self.busy = any(m.name == "PAYOUT BUSY" for m in messages)
        super().polled(messages)

    def _paid(self, amount: int) -> None:
        self._payout, self._check = None, False
        amount = min(amount, self.owed)
        self.owed -= amount
        self._stuck = not amount or not any(self._plan())
        self._tubes_at = 0
        self.tell("paid", amount=amount, owed=self.owed)

    # ---- what the changer tells

    def on_setup(self, level, scaling, credits, **_) -> None:
        self.mode, self.scaling = Mode(level), scaling or 1
        self.values = [0 if credit == 0xFF else credit * scaling for credit in credits]

    def on_identification(self, features, **_) -> None:
        self._alternative = bool(features & 1)

    def on_tube_status(self, full, counts) -> None:
        self._tubes_at = self.clock.now() + self.TUBES_EVERY
        if counts != self.tubes:
            self._stuck = False
        self.tubes = list(counts)  # parsed messages are shared: never change one
        if self._payout is not None and self._check:
            gone = (max(0, b - n) * v for b, n, v in zip(self._payout, counts, self.values, strict=False))
            self._paid(min(sum(gone), self._asked))

    def on_payout_status(self, counts) -> None:
        if self._payout is not None:
            for coin, count in enumerate(counts[: len(self.tubes)]):
                self.tubes[coin] = max(0, self.tubes[coin] - count)
            self._paid(sum(n * value for n, value in zip(counts, self.values, strict=False)))

    def on_coin_deposited(self, route, coin, tube) -> None:
        if route == 1 and coin < len(self.tubes):
            self._stuck = False
            if self._payout is not None:
                self._payout[coin] += 1
            self.tubes[coin] = tube
        if route in (0, 1) and self.values and self.values[coin]:
            self.tell("credit", source="coin", amount=self.values[coin])

    def on_coin_dispensed_by_hand(self, count, coin, tube) -> None:
        if coin < len(self.tubes):
            self.tubes[coin] = tube

    def on_escrow_request(self) -> None:
        self.tell("lever")
