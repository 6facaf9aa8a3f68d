"""Coin changer (MDB/ICP 4.3 §5): coins to tubes or cash box, payouts from the tubes.

Not modelled: validation of real coins, mechanics of sorting, manual fill and payout, file transport.
"""

from typing import ClassVar

from benchsim.seats.peripheral import IDENTITY, Peripheral

TO_BOX, TO_TUBE, REJECTED = 0, 1, 3  # routes of COIN DEPOSITED
_STOPS_COINS = {"ACCEPTOR UNPLUGGED", "COIN JAM", "ROM CHECKSUM"}
_STOPS_PAYOUT = {"TUBE JAM", "ROM CHECKSUM"}


class Changer(Peripheral):
    """`insert(coin)`, `lever()`; `tubes` are the coins really there. Values: scaling x credit, minor units."""

    SPEC = "changer"
    SETTINGS: ClassVar[dict] = {
        "level": 3,
        "currency": "1978",  # ISO 4217 numeric after a 1
        "scaling": 5,
        "decimals": 2,
        "credits": [1, 2, 4, 10, 20, 40],  # of each coin type, in units of scaling
        "tubes": [20, 20, 20, 20],  # coins in the tubes of the first types; the others have none
        "capacity": 60,
        "coin_s": 0.15,  # time to pay one coin out
        "fall_s": 0.25,  # a coin from slot to tube
    }
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "TUBE STATUS": "_tube_status", "COIN TYPE": "_coin_type", "DISPENSE": "_dispense",
        "IDENTIFICATION": "_identification", "FEATURES": "_features", "PAYOUT": "_payout",
        "PAYOUT STATUS": "_payout_status", "PAYOUT VALUE POLL": "_payout_value", "DIAGNOSTIC STATUS": "_diagnostic",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.tubes: list[int] = list(self.settings["tubes"])
        self.box = 0  # value of the coins in the cash box
        self._falling: list[int] = []
        self.cleared()

    def cleared(self) -> None:
        self._accept = 0
        self._queue: list[int] = []  # coin types still to be paid out
        self._paid: list[int] | None = None  # counts of the last PAYOUT until they were asked for
        self._value_told = 0

    def halted(self) -> None:
        for coin in self._falling:
            self._give_back(coin)
        self._falling = []
        self._queue = []

    def value(self, coin: int) -> int:
        """What a coin type is worth, minor units; 0 for a type that is not used."""
        credits = self.settings["credits"]
        return credits[coin] * self.settings["scaling"] if coin < len(credits) else 0

    # ---- the customer

    def takes(self, coin: int) -> bool:
        """Is this coin type enabled?"""
        return self.on and bool(self._accept >> coin & 1)

    def insert(self, coin: int) -> None:
        """A coin of that type is put in."""
        taken = (
            self.on
            and self._accept >> coin & 1
            and self.value(coin)
            and not _STOPS_COINS & set(self.troubles)
        )
        if taken:
            self._falling.append(coin)
            self.after(self.settings["fall_s"], self._land, coin)
        else:
            self._give_back(coin)

    def lever(self) -> None:
        """The return lever is pressed."""
        self.report("ESCROW REQUEST")

    def _give_back(self, coin: int) -> None:
        self.happen("coin", type=coin, value=self.value(coin), to="return")

    def _land(self, coin: int) -> None:
        self._falling.remove(coin)
        to_tube = coin < len(self.tubes) and self.tubes[coin] < self.settings["capacity"]
        if to_tube:
            self.tubes[coin] += 1
        else:
            self.box += self.value(coin)
        self.report("COIN DEPOSITED", route=TO_TUBE if to_tube else TO_BOX, coin=coin, tube=self._count(coin))
        self.happen("coin", type=coin, value=self.value(coin), to="tube" if to_tube else "box")

    def _count(self, coin: int) -> int:
        """What the changer tells of a tube: nothing where its sensors are defective."""
        if coin >= len(self.tubes) or "TUBE SENSOR DEFECTIVE" in self.troubles:
            return 0
        return min(self.tubes[coin], 255)

    # ---- commands

    def states(self) -> list[str]:
        return list(self.troubles) + (["PAYOUT BUSY"] if self._queue else [])

    def _setup(self) -> bytes:
        s = self.settings
        return self.spec.build_answer(
            "SETUP", level=s["level"], currency=s["currency"], scaling=s["scaling"], decimals=s["decimals"],
            tubes=(1 << len(self.tubes)) - 1, credits=s["credits"],
        )  # fmt: skip

    def _tube_status(self) -> bytes:
        counts = [self._count(coin) for coin in range(len(self.tubes))]
        full = sum(1 << coin for coin, count in enumerate(self.tubes) if count >= self.settings["capacity"])
        return self.spec.build_answer("TUBE STATUS", full=full, counts=counts)

    def _coin_type(self, accept: int, manual: int) -> bytes:
        self._accept = accept
        return b""

    def _identification(self) -> bytes:
        return self.spec.build_answer(
            "IDENTIFICATION", serial="000000000001", model="CHANGER", features=0b0011, **IDENTITY
        )

    def _features(self, features: int) -> bytes:
        self.bus.mode = self.spec.mode(self.settings["level"], features)
        return b""

    def _diagnostic(self) -> bytes:
        jam = {"COIN JAM": 0x1130, "TUBE JAM": 0x1400, "ACCEPTOR UNPLUGGED": 0x1100}
        pairs = [jam[name] for name in self.troubles if name in jam]
        return self.spec.build_answer("DIAGNOSTIC STATUS", pairs=pairs or [0x0300])

    # ---- payouts

    def _dispense(self, count: int, coin: int) -> bytes:
        self._pay([coin] * count)
        return b""

    def _payout(self, value: int) -> bytes | None:
        if not self.bus.mode.features & 1:
            return None
        self._paid, self._value_told = [0] * len(self.tubes), 0
        self._pay(self._make_up(value))
        return b""

    def _make_up(self, value: int) -> list[int]:
        """Coins for a value in units of scaling, the largest first; less if the tubes cannot."""
        coins, credits = [], self.settings["credits"]
        for coin in sorted(range(len(self.tubes)), key=lambda c: -credits[c]):
            count = min(self.tubes[coin], value // credits[coin]) if credits[coin] else 0
            coins += [coin] * count
            value -= count * credits[coin]
        return coins

    def _pay(self, coins: list[int]) -> None:
        self._queue += coins
        if coins and len(self._queue) == len(coins):
            self.after(self.settings["coin_s"], self._drop_coin)

    def _drop_coin(self) -> None:
        coin = self._queue.pop(0)
        if coin < len(self.tubes) and self.tubes[coin] and not _STOPS_PAYOUT & set(self.troubles):
            self.tubes[coin] -= 1
            if self._paid is not None:
                self._paid[coin] += 1
            self.happen("payout", value=self.value(coin))
        if self._queue:
            self.after(self.settings["coin_s"], self._drop_coin)

    def _payout_status(self) -> bytes:
        if self._queue or self._paid is None:
            return b""
        counts, self._paid = self._paid, None
        return self.spec.build_answer("PAYOUT STATUS", counts=counts)

    def _payout_value(self) -> bytes:
        if not self._queue or self._paid is None:
            return b""
        total = sum(n * credit for n, credit in zip(self._paid, self.settings["credits"], strict=False))
        new, self._value_told = total - self._value_told, total
        return self.spec.build_answer("PAYOUT VALUE POLL", value=new)
