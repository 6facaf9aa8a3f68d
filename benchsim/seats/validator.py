"""Bill validator (MDB/ICP 4.3 §6): bills to escrow, stacked or returned at the master's word.

Not modelled: validation of real bills, recycler, file transport.
"""

from typing import ClassVar

from benchsim.seats.peripheral import IDENTITY, Peripheral

STACKED, IN_ESCROW, RETURNED = 0, 1, 2  # routes of BILL
_STOPS_BILLS = {"MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"}


class Validator(Peripheral):
    """`insert(bill)`; `stacked` counts the bills in the stacker. Values: scaling x credit, minor units."""

    SPEC = "validator"
    SETTINGS: ClassVar[dict] = {
        "level": 1,
        "currency": "1978",  # ISO 4217 numeric after a 1
        "scaling": 100,
        "decimals": 2,
        "credits": [5, 10, 20],  # of each bill type, in units of scaling
        "capacity": 400,
        "stacked": 0,
        "escrow": True,
        "read_s": 1.0,  # a bill from slot to escrow
        "move_s": 1.5,  # from escrow to stacker or back out
    }
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "SECURITY": "_security", "BILL TYPE": "_bill_type", "ESCROW": "_escrow",
        "STACKER": "_stacker", "IDENTIFICATION": "_identification", "IDENTIFICATION 2": "_identification_2",
        "FEATURES": "_features",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.stacked: int = self.settings["stacked"]
        self.bill: int | None = None  # type of the bill between slot and stacker
        self.cleared()

    def cleared(self) -> None:
        self._enable = self._hold = 0
        self._waiting = False  # the bill lies in escrow
        self._moving = False

    def halted(self) -> None:
        if self.bill is not None:
            self._tell("returned")
            self.bill = None

    def value(self, bill: int) -> int:
        """What a bill type is worth, minor units; 0 for a type that is not used."""
        credits = self.settings["credits"]
        return credits[bill] * self.settings["scaling"] if bill < len(credits) else 0

    @property
    def full(self) -> bool:
        """No bill fits in the stacker."""
        return self.stacked >= self.settings["capacity"]

    def empty(self) -> None:
        """The cash box is emptied."""
        self.stacked = 0

    # ---- the customer

    def takes(self, bill: int) -> bool:
        """Is this bill type enabled?"""
        return self.on and bool(self._enable >> bill & 1)

    def insert(self, bill: int) -> None:
        """A bill of that type is put in."""
        enabled = self._enable >> bill & 1
        fit = (
            self.value(bill) and self.bill is None and not self.full and not _STOPS_BILLS & set(self.troubles)
        )
        if not (self.on and enabled and fit):
            self.happen("bill", type=bill, value=self.value(bill), to="returned")
            if not enabled:
                self.report("BILLS WHILE DISABLED", count=1)
            elif self.bill is None:
                self.report("REJECTED")
            return
        self.bill = bill
        self.after(self.settings["read_s"], self._read)

    def _read(self) -> None:
        if self.settings["escrow"] and self._hold >> self.bill & 1:
            self._waiting = True
            self.report("BILL", route=IN_ESCROW, bill=self.bill)
            self._tell("escrow")
        else:
            self._move(STACKED)

    def _move(self, route: int) -> None:
        self._waiting, self._moving = False, True
        self.after(self.settings["move_s"], self._moved, route)

    def _moved(self, route: int) -> None:
        self._moving = False
        self.report("BILL", route=route, bill=self.bill)
        self._tell("stacked" if route == STACKED else "returned")
        self.stacked += route == STACKED
        self.bill = None

    def _tell(self, to: str) -> None:
        self.happen("bill", type=self.bill, value=self.value(self.bill), to=to)

    # ---- commands

    def states(self) -> list[str]:
        return list(self.troubles) + (["BUSY"] if self._moving else [])

    def _setup(self) -> bytes:
        s = self.settings
        return self.spec.build_answer(
            "SETUP", level=s["level"], currency=s["currency"], scaling=s["scaling"], decimals=s["decimals"],
            capacity=s["capacity"], security=0, escrow=0xFF if s["escrow"] else 0, credits=s["credits"],
        )  # fmt: skip

    def _security(self, types: int) -> bytes:
        return b""

    def _bill_type(self, enable: int, escrow: int) -> bytes:
        self._enable, self._hold = enable, escrow
        return b""

    def _escrow(self, stack: int) -> bytes:
        if self._waiting:
            self._move(STACKED if stack else RETURNED)
        else:
            self.report("INVALID ESCROW REQUEST")
        return b""

    def _stacker(self) -> bytes:
        return self.spec.build_answer("STACKER", full=int(self.full), count=min(self.stacked, 0x7FFF))

    def _identification(self) -> bytes:
        return self.spec.build_answer("IDENTIFICATION", serial="000000000002", model="VALIDATOR", **IDENTITY)

    def _identification_2(self) -> bytes | None:
        if self.settings["level"] < 2:
            return None
        return self.spec.build_answer(
            "IDENTIFICATION 2", serial="000000000002", model="VALIDATOR", features=0, **IDENTITY
        )

    def _features(self, features: int) -> bytes | None:
        return b"" if self.settings["level"] >= 2 else None
