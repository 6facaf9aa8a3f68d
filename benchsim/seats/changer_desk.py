"""What the board knows of the changer: coins, the tubes, and a payout in steps.

    plan from known tubes ─► PAYOUT or DISPENSE ─► busy … ─► what was paid ─► still owed? plan again
                                                               │
       PAYOUT: the changer tells (PAYOUT STATUS)   ◄───────────┤
       DISPENSE: as asked, if nothing went wrong   ◄───────────┤
       jam, reset, silence: the tubes before and after tell ◄──┘

Never more is asked for than the tubes are known to hold, and nothing new while the changer pays. What is
owed and what was under way outlives a power cut: the board keeps both (`paying`, `paid`).
"""

from functools import lru_cache

from benchsim.events import ticks
from benchsim.schema.bus import Message
from benchsim.seats.payment_desks import UNUSED, Desk, Wish

MOST_COINS = 15  # that one DISPENSE can carry (MDB/ICP 4.3 §5)
MOST_UNITS = 0xFF  # that one PAYOUT can carry
ALTERNATIVE, MANUAL = 1, 4  # feature bits that this board enables: it makes up values itself, tells of fills by hand
BY_HAND = ("MANUAL FILL REPORT", "MANUAL PAYOUT REPORT")
NO_PAYOUT = frozenset({"TUBE JAM", "ROM CHECKSUM"})
BUSY = frozenset({"PAYOUT BUSY", "BUSY"})


@lru_cache(1024)
def _planned(amount: int, tubes: tuple[int, ...], values: tuple[int, ...]) -> tuple[int, ...]:
    """Coins of each type for an amount, the largest first."""
    plan, left = [0] * len(tubes), amount
    for coin in sorted(range(min(len(tubes), len(values))), key=lambda c: -values[c]):
        if value := values[coin]:
            plan[coin] = min(tubes[coin], left // value)
            left -= plan[coin] * value
    return tuple(plan)


@lru_cache(1024)
def _worth(coins: tuple[int, ...], values: tuple[int, ...]) -> int:
    """Of so many coins of each type: asked for every type of coin and bill, in every turn."""
    return sum(n * value for n, value in zip(coins, values, strict=False))


class ChangerDesk(Desk):
    """Coin changer. `owed` is what the board still has to pay, minor units. Not modelled: payouts by hand that
    the board allows (manual dispense)."""

    NAME = "changer"
    START = ("SETUP", "TUBE STATUS", "IDENTIFICATION", "FEATURES", "COIN TYPE")
    OPTIONAL = frozenset({"IDENTIFICATION", "FEATURES"})
    FAULTS = frozenset({"TUBE SENSOR DEFECTIVE", "ACCEPTOR UNPLUGGED", "TUBE JAM", "ROM CHECKSUM", "COIN JAM"})
    BENCH_TIMES = frozenset({"_stuck_until", "_by_hand_at"})
    REGULAR = frozenset({"_tubes_at"})
    TUBES_EVERY = ticks(60.0)  # and after whatever may have changed them
    BY_HAND_EVERY = ticks(20.0)  # what was filled and taken out by hand, where the changer reports it
    STUCK_FOR = ticks(60.0)  # a payout that paid nothing is tried again after this, if the tubes tell no news
    STATUS_FOR = ticks(2.0)  # PAYOUT STATUS is asked for so long, then the tubes are

    def __init__(self, clock, book, seat: str, bus, tell):
        self.owed = 0
        self._payout: list[int] | None = None  # tubes before the payout under way
        self._asked = 0  # value of it
        self._tubes_told: int | None = None
        self._acked = True  # the changer took it
        self._dispensed: tuple[int, int] | None = None  # type and count, where it is a DISPENSE
        super().__init__(clock, book, seat, bus, tell)

    def clear(self) -> None:
        self.values: list[int] = []
        self.tubes: list[int] = []
        self.mask, self.scaling = 0, 1
        self.busy = False
        self._tubes_at = 0  # when to look at them, bench time
        self._alternative = self._manual = 0  # of those feature bits, what it offers
        self._by_hand, self._by_hand_at = list(BY_HAND), 0  # reports to ask for, from what bench time on
        self._stuck_until = 0  # nothing owed can be paid until that bench time, or until the tubes change
        self._doubt = self._payout is not None  # only the tubes tell what a broken-off payout has paid
        self._acked = self._acked and not self._doubt  # if it paid nothing of it: again, it knows of it no more
        self._rested_at: int | None = None  # since when the payout under way is over

    # ---- what the board asks for

    def pay(self, amount: int, paying: tuple[list[int], int] | None = None) -> None:
        """Pay out that much more; "paid" tells what went and what is still owed. `paying`: tubes before, and
        value, of a payout that a power cut of the board broke off: it is part of the amount."""
        self.owed += amount
        if paying:
            self._payout, self._asked, self._doubt = list(paying[0]), paying[1], True
        self._stuck_until = 0
        if not self._works or not any(self._plan(self.owed)):
            self.tell("paid", amount=0, owed=self.owed)

    def can_pay(self, amount: int) -> bool:
        """Would the tubes, as far as known, give that amount beside what is owed already?"""
        if not self._works:
            return False
        left = self.owed + amount
        return self._worth(self._plan(left)) == left

    @property
    def _works(self) -> bool:
        """Can it pay out at all?"""
        return self.ready and not self.unfit and self.fault not in NO_PAYOUT

    def _plan(self, amount: int) -> tuple[int, ...]:
        """Coins of each type for an amount, from what the tubes are known to hold."""
        return _planned(amount, tuple(self.tubes), tuple(self.values))

    def _worth(self, coins) -> int:
        return _worth(tuple(coins), tuple(self.values))

    def _tell_tubes(self) -> None:
        value = self._worth(self.tubes)
        if self.values and not self.unfit and value != self._tubes_told:
            self._tubes_told = value
            self.tell("tubes", value=value)

    @property
    def at_rest(self) -> bool:
        stuck = self.clock.bench_time() < self._stuck_until  # what is owed waits for coins
        return super().at_rest and (not self.owed or stuck) and self._payout is None and not self.busy

    # ---- turns

    def fields(self, step: str) -> dict | None:
        match step:
            case "IDENTIFICATION":
                return {} if self.mode.level >= 3 else None
            case "FEATURES":
                return {"features": self._alternative | self._manual} if self.mode.level >= 3 else None
            case "COIN TYPE":
                self._sent = self.wanted_mask()
                return {"accept": self._sent, "manual": 0}
        return {}

    def wanted_mask(self) -> int:
        """Types to take: enabled, of a known value, and such that change can be given."""
        if self.unfit:
            return 0
        return self.bus.taken(self.values)

    def wishes(self) -> Wish | None:
        now = self.clock.now()
        if self._payout is not None and not self.busy:
            return self._asking_what_was_paid(now)
        if self.wanted_mask() != self.mask:
            return Wish("COIN TYPE", self.fields("COIN TYPE"))
        bench_time = self.clock.bench_time()
        free = self._payout is None and not self.busy and self._works
        if self.owed and free and bench_time >= self._stuck_until:
            return self._begin()
        if bench_time >= self._tubes_at and not self.busy:
            return Wish("TUBE STATUS")
        return Wish(self._by_hand[0]) if self._hand_wanted(bench_time) else None

    def _hand_wanted(self, bench_time: int) -> bool:
        """Are reports of what was done by hand due?"""
        free = self._payout is None and not self.busy
        return bool(self.mode.features & MANUAL and self._by_hand and free and bench_time >= self._by_hand_at)

    def _begin(self) -> Wish | None:
        plan = self._plan(min(self.owed, MOST_UNITS * self.scaling) if self.mode.features & ALTERNATIVE else self.owed)
        if not any(plan):
            self._stuck_until = self.clock.bench_time() + self.STUCK_FOR
            return None
        if self.mode.features & ALTERNATIVE:
            total = self._worth(plan)
            return self._started(total, Wish("PAYOUT", {"value": total // self.scaling}, once=True))
        coin = max((c for c, n in enumerate(plan) if n), key=lambda c: self.values[c])
        count = min(plan[coin], MOST_COINS)
        return self._started(count * self.values[coin], Wish("DISPENSE", {"count": count, "coin": coin}, once=True))

    def _started(self, value: int, wish: Wish) -> Wish:
        self._payout, self._asked, self._doubt, self._rested_at = list(self.tubes), value, False, None
        self._dispensed = (wish.fields["coin"], wish.fields["count"]) if wish.name == "DISPENSE" else None
        self.busy = True
        self.tell("paying", tubes=list(self.tubes), asked=value)
        return wish

    def _asking_what_was_paid(self, now: int) -> Wish | None:
        if self._doubt:
            return Wish("TUBE STATUS")
        if self._dispensed:
            coin, count = self._dispensed
            self.tubes[coin] = max(0, self.tubes[coin] - count)
            self._paid(self._asked)
            return None
        self._rested_at = self._rested_at or now
        self._doubt = now - self._rested_at > self.STATUS_FOR
        return Wish("PAYOUT STATUS")

    def outcome(self, wish: Wish, kind: str, messages: list[Message]) -> None:
        if wish.name == "COIN TYPE" and kind == "ack":
            self.mask = self._sent
        if wish.name == "FEATURES" and kind == "ack":
            self.mode = self.mode._replace(features=self._alternative | self._manual)
        super().outcome(wish, kind, messages)

    def done(self, wish: Wish, kind: str) -> None:
        if wish.name in ("PAYOUT", "DISPENSE"):
            self._acked = kind == "ack"
            if kind == "nak":  # not taken
                self._payout, self.busy = None, False
                self.tell("paying", tubes=None, asked=0)
            elif kind != "ack":
                self._doubt = True  # it may have been heard: the tubes will tell
        elif wish.name in BY_HAND and kind in ("ack", "data"):
            self._by_hand.remove(wish.name)
            if not self._by_hand:
                self._by_hand, self._by_hand_at = list(BY_HAND), self.clock.bench_time() + self.BY_HAND_EVERY

    def polled(self, messages: list[Message]) -> None:
        names = {m.name for m in messages}
        self.busy = not names.isdisjoint(BUSY)
        self._doubt = self._doubt or self._payout is not None and not names.isdisjoint(NO_PAYOUT)
        before = self.fault
        super().polled(messages)
        if before and not self.fault:
            self._stuck_until = 0  # mended: what is owed can be tried again
        elif self.fault in NO_PAYOUT and before != self.fault:
            self._still_owed()

    def lost(self) -> None:
        if self.present:
            self._still_owed()
        super().lost()

    def _still_owed(self) -> None:
        """What is owed has to wait, and the board is told so (of a payout under way it hears when that has ended)."""
        if self.owed and self._payout is None:
            self.tell("paid", amount=0, owed=self.owed)

    def _paid(self, amount: int) -> None:
        self._payout, self._doubt = None, False
        self._tell_tubes()
        amount = min(amount, self.owed)
        self.owed -= amount
        self._tubes_at = 0
        self.tell("paying", tubes=None, asked=0)
        if not amount and not self._acked:  # not heard: again
            return
        if not amount:
            self._stuck_until = self.clock.bench_time() + self.STUCK_FOR
        self.tell("paid", amount=amount, owed=self.owed)

    # ---- what the changer tells

    def on_setup(self, level, currency, scaling, decimals, credits, **_) -> None:
        self.introduced(level, currency, scaling, decimals)
        self.scaling = scaling or 1
        self.values = [0 if credit in UNUSED else credit * scaling for credit in credits]

    def on_identification(self, features, **_) -> None:
        self._alternative, self._manual = features & ALTERNATIVE, features & MANUAL

    def on_tube_status(self, full, counts) -> None:
        self._tubes_at = (self.clock.bench_time() // self.TUBES_EVERY + 1) * self.TUBES_EVERY
        if counts != self.tubes:
            self._stuck_until = self._by_hand_at = 0
        self.tubes = list(counts)  # parsed messages are shared: never change one
        self._tell_tubes()
        if self._payout is not None and self._doubt:
            gone = [max(0, before - now) for before, now in zip(self._payout, counts, strict=False)]
            self._paid(min(self._worth(gone), self._asked))

    def on_payout_status(self, counts) -> None:
        if self._payout is not None and not self._doubt:
            for coin, count in enumerate(counts[: len(self.tubes)]):
                self.tubes[coin] = max(0, self.tubes[coin] - count)
            self._paid(self._worth(counts))

    def on_coin_deposited(self, route, coin, tube) -> None:
        if route == 1 and coin < len(self.tubes):
            self._stuck_until = 0
            if self._payout is not None:
                self._payout[coin] += 1
                self.tell("paying", tubes=list(self._payout), asked=self._asked)
            self.tubes[coin] = tube
            self._tell_tubes()
        if route in (0, 1) and coin < len(self.values) and self.values[coin]:
            self.tell("credit", source="coin", amount=self.values[coin], tube=route == 1)

    def on_coin_dispensed_by_hand(self, count, coin, tube) -> None:
        if coin < len(self.tubes):
            self.tubes[coin] = tube
            self._tell_tubes()

    def on_manual_fill_report(self, counts) -> None:
        self._serviced(filled=self._worth(counts))

    def on_manual_payout_report(self, counts) -> None:
        self._serviced(taken=self._worth(counts))

    def _serviced(self, filled: int = 0, taken: int = 0) -> None:
        self._tubes_at = 0
        self.tell("serviced", filled=filled, taken=taken)

    def on_escrow_request(self) -> None:
        self.tell("lever")
