"""Universal satellite (MDB/ICP 4.3, universal satellite devices): a vending machine without money of its own, that
asks this one for each vend.

    ITEM REQUEST ─► VEND GRANTED ─► (vend_s) ─► ITEM STATUS 0
                 └► VEND REFUSED

Not modelled: more than one item at a time, homing of its coils, prices set over the bus, file transport.
"""

from typing import ClassVar

from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import IDENTITY, Peripheral
from benchsim.seats.setting import Setting, defaults, one_of, period, some_of, whole, wholes

DELIVERED, NOT_DELIVERED = 0, 1  # status of ITEM STATUS; our own
IDLE, ASKING, DELIVERING = "idle", "asking", "delivering"


class Satellite(Peripheral):
    """`pick(row, column)`; `empty` and `jammed` hold places (row, column). Prices in minor units.
    Happenings: item (row, column, price, state): asked, granted, refused, unanswered, delivered, stuck.
    """

    SPEC = "satellite"
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {
        "level": Setting(1, one_of(1, 2, 3), "level that it tells in CONFIG"),
        "wait_s": Setting(10, whole(1, 255), "how long it waits for the answer to ITEM REQUEST, seconds"),
        "vend_s": Setting(2.0, period(), "time to deliver an item, seconds"),
        "columns": Setting(4, whole(1, 16), "items in a row"),
        "prices": Setting([100, 100, 150, 150, 200, 200, 250, 250], wholes(255, 0, 0xFFFF),
                          "minor units, row by row; they must be whole in units of the scaling of SETUP"),
        "answers": Setting([], some_of(*ODDITIES), "odd but legal ways to answer"),
    }  # fmt: skip
    SETTINGS: ClassVar[dict] = defaults(SETTING_CHECKS)
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "VEND GRANTED": "_granted", "VEND REFUSED": "_refusal", "VEND ITEM": "_vend_item",
        "FUNDS": "_funds", "CONTROL DISABLE": "_disable", "CONTROL ENABLE": "_enable",
        "IDENTIFICATION": "_identification", "FEATURES": "_features",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.empty: set[tuple[int, int]] = set()  # asked for membership only
        self.jammed: set[tuple[int, int]] = set()
        self.state = IDLE
        self.item: tuple[int, int] | None = None  # (row, column) asked for or being delivered
        self.cleared()

    def cleared(self) -> None:
        self.enabled = False
        self.scaling: int | None = None
        self.funds: int | None = None  # minor units, as the controller told
        self._asked = 0  # how many requests there were: a wait belongs to one of them

    def halted(self) -> None:
        if self.state == DELIVERING:
            self._tell("stuck", self.item)
        self.state, self.item = IDLE, None

    def price(self, item: tuple[int, int]) -> int | None:
        """Minor units; None where there is no such item."""
        row, column = item
        at = row * self.settings["columns"] + column
        there = row >= 0 and 0 <= column < self.settings["columns"] and at < len(self.settings["prices"])
        return self.settings["prices"][at] if there else None

    def _tell(self, state: str, item: tuple[int, int]) -> None:
        self.happen("item", row=item[0], column=item[1], price=self.price(item), state=state)

    # ---- the customer

    def takes(self, row: int, column: int) -> bool:
        """Would it ask for that item now?"""
        item = (row, column)
        price = self.price(item)
        ready = self.on and self.enabled and self.state == IDLE and item not in self.empty
        return bool(ready and self.scaling and price is not None and price % self.scaling == 0)

    def pick(self, row: int, column: int) -> bool:
        """A customer picks an item. False: it does not even ask."""
        if not self.takes(row, column):
            return False
        self.state, self.item = ASKING, (row, column)
        self._asked += 1
        self.report("ITEM REQUEST", row=row, column=column, price=self.price(self.item) // self.scaling)
        self._tell("asked", self.item)
        self.after(self.settings["wait_s"], self._give_up, self._asked)
        return True

    def _give_up(self, asked: int) -> None:
        if self.state == ASKING and asked == self._asked:
            self._tell("unanswered", self.item)
            self.state, self.item = IDLE, None

    # ---- vends

    def _granted(self, row: int, column: int) -> bytes:
        if self.state == ASKING and self.item == (row, column):
            self._tell("granted", self.item)
            self._deliver()
        else:  # nobody asked, or not any more: the controller has to know that its money bought nothing
            self.report("ITEM STATUS", row=row, column=column, status=NOT_DELIVERED)
        return b""

    def _refusal(self) -> bytes:
        if self.state == ASKING:
            self._tell("refused", self.item)
            self.state, self.item = IDLE, None
        return b""

    def _vend_item(self, row: int, column: int) -> bytes:
        item = (row, column)
        if self.enabled and self.state == IDLE and self.price(item) is not None and item not in self.empty:
            self.item = item
            self._tell("granted", item)
            self._deliver()
        else:
            self.report("ITEM STATUS", row=row, column=column, status=NOT_DELIVERED)
        return b""

    def _deliver(self) -> None:
        self.state = DELIVERING
        self.after(self.settings["vend_s"], self._delivered)

    def _delivered(self) -> None:
        item = self.item
        self.state, self.item = IDLE, None
        stuck = item in self.jammed
        self._tell("stuck" if stuck else "delivered", item)
        status = NOT_DELIVERED if stuck else DELIVERED
        self.report("ITEM STATUS", row=item[0], column=item[1], status=status)

    # ---- set-up and control

    def _setup(self, level: int, scaling: int, decimals: int) -> bytes:
        self.scaling = scaling
        return self.reply("CONFIG", level=self.settings["level"], wait_s=self.settings["wait_s"])

    def _identification(self, **_) -> bytes:
        return self.reply("IDENTIFICATION", serial="000000000005", model="SATELLITE", features=0, **IDENTITY)

    def _features(self, features: int) -> bytes:
        return b""  # it has none to enable

    def _funds(self, funds: int) -> bytes:
        self.funds = funds * (self.scaling or 1)
        return b""

    def _disable(self) -> bytes:
        self.enabled = False
        return b""

    def _enable(self) -> bytes:
        self.enabled = True
        return b""
