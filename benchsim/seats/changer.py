"""Coin changer (MDB/ICP 4.3 §5), levels 2 and 3: its commands, payouts from the tubes, service by hand.

Not modelled: validation of real coins, the mechanics of sorting, a cash box that is full, file transport
(0F FA to 0F FE), user defined diagnostics (0F FF).
"""

from typing import ClassVar

from benchsim.seats.coin_path import TOKEN, CoinPath
from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import IDENTITY
from benchsim.seats.setting import (
    CURRENCY, FLAG, TRIM, TRIM_MEANS, Setting, defaults, one_of, period, sixteen, some_of, whole, wholes,
)  # fmt: skip

MOST_BY_HAND = 7  # coins in one COIN DISPENSED BY HAND
_STOPS_PAYOUT = {"TUBE JAM", "ROM CHECKSUM"}
_DIAGNOSIS = {"ROM CHECKSUM": 0x1001, "ACCEPTOR UNPLUGGED": 0x1100, "COIN JAM": 0x1130, "TUBE JAM": 0x1400,
              "TUBE SENSOR DEFECTIVE": 0x1504}  # fmt: skip
_WAKING, _GOOD, _SERVICED, _INHIBITED, _LEVER_STUCK = 0x0100, 0x0300, 0x0510, 0x0600, 0x1111


class Changer(CoinPath):
    """What people do: `insert`, `pull_back`, `fish`, `slug`, `lever`, `hold_lever`, `dispense_by_hand`, `fill_by_hand`,
    `pay_by_hand`, `service_done`. What breaks: `trouble`, `jam_tube`, `blind`, `astray`. `tubes` are the coins
    really there, by type. Values: scaling x credit, minor units.
    """

    SPEC = "changer"
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {
        "level": Setting(3, one_of(2, 3), "feature level; 3 has alternative payout and diagnostics"),
        "currency": Setting("1978", CURRENCY, "a 1 and the ISO 4217 number, or a 0 and the dialling code"),
        "scaling": Setting(5, whole(1, 255), "minor units in one unit of credit"),
        "decimals": Setting(2, whole(0, 9), "decimal places of the currency"),
        "credits": Setting([1, 2, 4, 10, 20, 40], wholes(16, 0, 255),
                           "of each coin type, in units of scaling; 0 is no coin, 255 a token"),
        "tubes": Setting([20, 20, 20, 20], wholes(16, 0, 255),
                         "coins in the tubes of the first types; the others have none"),
        "capacity": Setting(60, whole(0, 255), "coins that fit in a tube"),
        "sensor_step": Setting(1, whole(1, 255), "coins from one level sensor of a tube to the next; 1 counts them"),
        "fall_s": Setting(0.25, period(), "a coin from slot to tube or cash box"),
        "coin_s": Setting(0.15, period(), "one coin paid out"),
        "apart_s": Setting(0.0, period(), "a coin that follows the one before sooner than this is given back"),
        "held_s": Setting(1.0, period(0.1), "a return lever held down is told again after this"),
        "tells_rejected": Setting(False, FLAG, "tells coins that it gives back (route 3)"),
        "features": Setting(0b011, whole(0, 7), "offered: 1 alternative payout, 2 diagnostics, 4 manual fill and payout"),
        "trim": Setting("types", TRIM, TRIM_MEANS),
        "answers": Setting([], some_of(*ODDITIES), "odd but legal ways to answer"),
    }  # fmt: skip
    SETTINGS: ClassVar[dict] = defaults(SETTING_CHECKS)
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "TUBE STATUS": "_tube_status", "COIN TYPE": "_coin_type", "DISPENSE": "_dispense",
        "IDENTIFICATION": "_identification", "FEATURES": "_features", "PAYOUT": "_payout",
        "PAYOUT STATUS": "_payout_status", "PAYOUT VALUE POLL": "_payout_value", "DIAGNOSTIC STATUS": "_diagnostic",
        "MANUAL FILL REPORT": "_fill_report", "MANUAL PAYOUT REPORT": "_hand_report",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self._jams: dict[int, int] = {}  # tube -> coins until it jams
        self._filled, self._taken_out = [0] * 16, [0] * 16  # by hand, not reported yet
        self.cleared()

    def cleared(self) -> None:
        super().cleared()
        self._manual = 0  # types that may be dispensed by hand
        self._queue: list[int] = []  # coin types still to be paid out
        self._paid: list[int] | None = None  # counts of the last PAYOUT until they were told
        self._counting = False  # it is a PAYOUT that is being paid
        self._value_told = 0

    def trouble(self, name: str, on: bool = True) -> None:
        super().trouble(name, on)
        if name == "TUBE JAM" and not on:
            self._jams.clear()

    # ---- tubes and service

    def jam_tube(self, coin: int, after: int = 0) -> None:
        """That tube jams when it is to pay a coin, once so many more have come; the payout stops short."""
        self._jams[coin] = after

    def fill_by_hand(self, coin: int, count: int) -> int:
        """Service puts coins into a tube, until `service_done`. Returns how many fitted."""
        count = max(0, min(count, self.settings["capacity"] - self.tubes[coin]))
        self._serviced = True
        self.tubes[coin] += count
        self._filled[coin] += count
        self.happen("service", type=coin, value=self.value(coin) * count, to="tube")
        return count

    def pay_by_hand(self, coin: int, count: int) -> int:
        """Service takes coins out of a tube, until `service_done`. Returns how many came."""
        self._serviced = True
        count = self._take_out(coin, count)
        self._taken_out[coin] += count
        return count

    def service_done(self) -> None:
        """Manual fill and payout are over and can be reported; coins are accepted again."""
        self._serviced = False

    def dispense_by_hand(self, coin: int, count: int = 1) -> None:
        """Somebody presses the button below a tube: what the master allows comes out, unless coins are being paid."""
        if self.on and self._manual >> coin & 1 and coin < len(self.tubes) and not self._queue:
            self.after(self.settings["coin_s"] * min(count, MOST_BY_HAND), self._by_hand, coin, count)

    def _by_hand(self, coin: int, count: int) -> None:
        came = 0 if _STOPS_PAYOUT & set(self.troubles) else self._take_out(coin, min(count, MOST_BY_HAND))
        if came:
            self.report("COIN DISPENSED BY HAND", count=came, coin=coin, tube=self._count(coin))
        if came and came < count:
            self.dispense_by_hand(coin, count - came)

    def _take_out(self, coin: int, count: int) -> int:
        count = min(count, self.tubes[coin])
        self.tubes[coin] -= count
        self.happen("service", type=coin, value=self.value(coin) * count, to="hand")
        return count

    # ---- commands

    def states(self) -> list[str]:
        return super().states() + (["PAYOUT BUSY"] if self._queue else [])

    def _setup(self) -> bytes:
        s = self.settings
        return self.spec.build_answer(
            "SETUP", level=s["level"], currency=s["currency"], scaling=s["scaling"], decimals=s["decimals"],
            tubes=(1 << len(self.tubes)) - 1, credits=self._sixteen(s["credits"]),
        )  # fmt: skip

    def _tube_status(self) -> bytes:
        counts = [self._count(coin) for coin in range(len(self.tubes))]
        full = sum(
            1 << coin
            for coin, count in enumerate(self.tubes)
            if count >= self.settings["capacity"] or self._is_blind(coin)
        )
        return self.spec.build_answer("TUBE STATUS", full=full, counts=self._sixteen(counts))

    def _sixteen(self, values: list[int]) -> list[int]:
        return sixteen(values, self.settings["trim"])

    def _coin_type(self, accept: int, manual: int) -> bytes:
        self._accept, self._manual = accept, manual
        return b""

    def _identification(self) -> bytes:
        return self.spec.build_answer(
            "IDENTIFICATION", serial="000000000001", model="CHANGER", features=self.settings["features"], **IDENTITY
        )

    def _features(self, features: int) -> bytes:
        self.bus.mode = self.spec.mode(self.settings["level"], features & self.settings["features"])
        return b""

    def _diagnostic(self) -> bytes:
        pairs = [_DIAGNOSIS[name] for name in self.troubles if name in _DIAGNOSIS]
        also = {_WAKING: self._just_reset, _SERVICED: self._serviced, _LEVER_STUCK: self._held}
        pairs += [pair for pair, holds in also.items() if holds]
        return self.spec.build_answer(
            "DIAGNOSTIC STATUS", pairs=pairs or [_GOOD if self._accept else _INHIBITED]
        )

    def _fill_report(self) -> bytes:
        return self._report_by_hand("MANUAL FILL REPORT", self._filled)

    def _hand_report(self) -> bytes:
        return self._report_by_hand("MANUAL PAYOUT REPORT", self._taken_out)

    def _report_by_hand(self, name: str, counts: list[int]) -> bytes:
        if self._serviced or not any(counts):
            return b""
        self.once_taken(counts.__setitem__, slice(None), [0] * 16)
        return self.spec.build_answer(name, counts=self._sixteen([min(count, 255) for count in counts]))

    # ---- payouts: while coins are being paid no other one is listened to

    def _dispense(self, count: int, coin: int) -> bytes | None:
        if self._queue:
            return None
        self._counting = False
        return self._pay([coin] * count)

    def _payout(self, value: int) -> bytes | None:
        if self._queue:
            return None
        self._paid, self._value_told, self._counting = [0] * max(1, len(self.tubes)), 0, True
        return self._pay(self._make_up(value))

    def _make_up(self, value: int) -> list[int]:
        """Coins for a value in units of scaling, the largest first; less if the tubes cannot."""
        coins, worth = [], {coin: self._credit(coin) for coin in range(len(self.tubes))}
        for coin in sorted((c for c in worth if 0 < worth[c] < TOKEN), key=lambda c: -worth[c]):
            count = min(self._count(coin), value // worth[coin])
            coins += [coin] * count
            value -= count * worth[coin]
        return coins

    def _pay(self, coins: list[int]) -> bytes:
        self._queue = coins
        if coins:
            self.after(self.settings["coin_s"], self._drop_coin)
        return b""

    def _drop_coin(self) -> None:
        coin = self._queue.pop(0)
        if self._jams.get(coin) == 0:
            self.trouble("TUBE JAM")
        if _STOPS_PAYOUT & set(self.troubles):
            self._queue = []  # the payout stops short
        elif coin < len(self.tubes) and self.tubes[coin]:
            self._drop(coin)
        if self._queue:
            self.after(self.settings["coin_s"], self._drop_coin)

    def _drop(self, coin: int) -> None:
        self.tubes[coin] -= 1
        if coin in self._jams:
            self._jams[coin] -= 1
        if self._counting:
            self._paid[coin] += 1
        self.happen("payout", value=self.value(coin))

    def _payout_status(self) -> bytes:
        if self._queue or self._paid is None:
            return b""
        self.once_taken(self._payout_told)
        return self.spec.build_answer("PAYOUT STATUS", counts=self._paid)

    def _payout_told(self) -> None:
        self._paid = None

    def _payout_value(self) -> bytes:
        """What came since the last time it was told; once all is told and nothing more comes, ACK."""
        if self._paid is None:
            return b""
        total = sum(n * self._credit(coin) for coin, n in enumerate(self._paid))
        if total == self._value_told and not self._queue:
            return b""
        self.once_taken(self._told_so_far, total)
        return self.spec.build_answer("PAYOUT VALUE POLL", value=total - self._value_told)

    def _told_so_far(self, total: int) -> None:
        self._value_told = total
