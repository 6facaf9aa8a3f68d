"""Bill validator (MDB/ICP 4.3 §6), levels 1 and 2: bills to escrow, stacked or returned at the master's word.

    slot ─► (read_s) ─► escrow ─► ESCROW stack ──► (move_s) ─► stacker
              │           │ └───► ESCROW return ─► (move_s) ─► back
              └► back     └► pulled out, or hold_s over: back

Not modelled: validation of real bills, file transport (37 FA to 37 FE). The recycler (37 03 to 37 0A) is decoded at
the link layer only and not answered.
"""

from typing import ClassVar

from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import IDENTITY, Peripheral
from benchsim.seats.setting import (
    CURRENCY, FLAG, TRIM, TRIM_MEANS, Setting, defaults, one_of, period, sixteen, some_of, whole, wholes,
)  # fmt: skip

STACKED, IN_ESCROW, RETURNED, DISABLED = 0, 1, 2, 4  # routes of BILL
TOKEN = 0xFF  # credit of a bill type without a value
_STOPS_BILLS = {"MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"}
_STOPS_MOTION = {"MOTOR", "JAM"}
_NO_ROOM = {"CASH BOX OUT"}


class Validator(Peripheral):
    """What people do: `insert`, `pull`, `fish`, `take_box`, `put_box`, `empty`. What breaks: `trouble`. `stacked`
    counts the bills in the stacker, `bill` is the type of the one on its way, `phase` where that is: "reading",
    "escrow", "stacking", "returning" or "stuck". Values: scaling x credit, minor units.
    """

    SPEC = "validator"
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {
        "level": Setting(1, one_of(1, 2), "feature level"),
        "currency": Setting("1978", CURRENCY, "a 1 and the ISO 4217 number, or a 0 and the dialling code"),
        "scaling": Setting(100, whole(1, 0xFFFF), "minor units in one unit of credit"),
        "decimals": Setting(2, whole(0, 9), "decimal places of the currency"),
        "credits": Setting([5, 10, 20], wholes(16, 0, 255),
                           "of each bill type, in units of scaling; 0 is no bill, 255 a token"),
        "capacity": Setting(400, whole(0, 0x7FFF), "bills that fit in the stacker"),
        "stacked": Setting(0, whole(0, 0x7FFF), "bills in the stacker"),
        "security": Setting(0, whole(0, 0xFFFF), "types that high security can be asked for, bit by bit"),
        "escrow": Setting(True, FLAG, "it has an escrow; without, every bill is stacked at once"),
        "read_s": Setting(1.0, period(), "a bill from slot to escrow"),
        "move_s": Setting(1.5, period(), "from escrow to stacker or back out"),
        "hold_s": Setting(0.0, period(), "a bill in escrow is given back if nobody decides in this time; 0: never"),
        "disabled_as": Setting("count", one_of("count", "bill"),
                               "a bill of a disabled type is told as one more attempt, or as that bill (route 4)"),
        "tells_disabled": Setting(False, FLAG, "tells the state DISABLED while no type is enabled"),
        "trim": Setting("types", TRIM, TRIM_MEANS),
        "answers": Setting([], some_of(*ODDITIES), "odd but legal ways to answer"),
    }  # fmt: skip
    SETTINGS: ClassVar[dict] = defaults(SETTING_CHECKS)
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "SECURITY": "_security", "BILL TYPE": "_bill_type", "ESCROW": "_escrow",
        "STACKER": "_stacker", "IDENTIFICATION": "_identification", "IDENTIFICATION 2": "_identification_2",
        "FEATURES": "_features",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.stacked: int = self.settings["stacked"]
        self.bill: int | None = None
        self.phase: str | None = None
        self._worn = False
        self._bills = 0
        self._last_stacked: int | None = None
        self.cleared()

    def cleared(self) -> None:
        self._enable = self._hold = 0
        self._strict = 0  # types of high security

    def halted(self) -> None:
        if self.bill is not None and self.phase != "stuck":
            self._gone("returned")

    def trouble(self, name: str, on: bool = True) -> None:
        super().trouble(name, on)
        if self.phase == "stuck" and not _STOPS_MOTION & set(self.troubles):
            self.report("BILL", route=RETURNED, bill=self.bill)
            self._gone("returned")  # by whoever cleared the jam

    def _credit(self, bill: int) -> int:
        credits = self.settings["credits"]
        return credits[bill] if 0 <= bill < len(credits) else 0

    def value(self, bill: int) -> int:
        """What a bill type is worth, minor units; 0 for a token and for a type that is not used."""
        credit = self._credit(bill)
        return 0 if credit == TOKEN else credit * self.settings["scaling"]

    # ---- the stacker

    @property
    def full(self) -> bool:
        """No bill fits in the stacker."""
        return self.stacked >= self.settings["capacity"]

    def empty(self) -> None:
        """The cash box is emptied."""
        self.stacked, self._last_stacked = 0, None

    def take_box(self) -> None:
        """The cash box is taken out."""
        self.trouble("CASH BOX OUT")

    def put_box(self) -> None:
        """An empty cash box is put in."""
        self.empty()
        self.trouble("CASH BOX OUT", False)

    # ---- the customer

    def takes(self, bill: int) -> bool:
        """Is this bill type enabled?"""
        return self.on and bool(self._enable >> bill & 1)

    def insert(self, bill: int, worn: bool = False) -> None:
        """A bill of that type is put in. A worn one is not good enough for high security."""
        enabled = self._enable >> bill & 1
        fit = (
            self._credit(bill) and self.bill is None and not self.full and not _STOPS_BILLS & set(self.troubles)
        )
        if not (self.on and enabled and fit):
            self._turned_away(bill, enabled)
            return
        self.bill, self.phase, self._worn = bill, "reading", worn
        self._bills += 1
        self._later("read_s", self._read)

    def _turned_away(self, bill: int, enabled: int) -> None:
        self.happen("bill", type=bill, value=self.value(bill), to="returned")
        if not self.on:
            return
        if not enabled and self.settings["disabled_as"] == "count":
            self.report_one_more("BILLS WHILE DISABLED")
        elif not enabled and bill < 16:
            self.report("BILL", route=DISABLED, bill=bill)
        elif self.bill is None:
            self.report("REJECTED")

    def pull(self) -> bool:
        """The customer pulls the bill back out, from slot or escrow. False: it is gone."""
        if self.phase not in ("reading", "escrow"):
            return False
        if self.phase == "reading":
            self.report("REJECTED")
        else:
            self.report("BILL REMOVED")
            self.report("BILL", route=RETURNED, bill=self.bill)
        self._gone("returned")
        return True

    def fish(self) -> bool:
        """Somebody tries to get the last stacked bill out of the stacker again. True: it comes."""
        bill, self._last_stacked = self._last_stacked, None
        if bill is not None:
            self.stacked -= 1
            self.happen("bill", type=bill, value=self.value(bill), to="taken")
        self.report("CREDITED BILL REMOVAL")
        return bill is not None

    # ---- transport

    def _later(self, time: str, call, *args) -> None:
        """What happens to this bill, unless it has gone another way before."""
        self.after(self.settings[time], self._in_time, (self._bills, self.phase), call, args)

    def _in_time(self, then: tuple, call, args: tuple) -> None:
        if (self._bills, self.phase) != then:
            return
        if _STOPS_MOTION & set(self.troubles):
            self.phase = "stuck"
        else:
            call(*args)

    def _read(self) -> None:
        if not self._is_good():
            self.report("REJECTED")
            self._gone("returned")
        elif self.settings["escrow"] and self._hold >> self.bill & 1:
            self.phase = "escrow"
            self.report("BILL", route=IN_ESCROW, bill=self.bill)
            self._tell("escrow")
            if self.settings["hold_s"]:
                self._later("hold_s", self._move, RETURNED)
        else:
            self._move(STACKED)

    def _is_good(self) -> bool:
        """Is the bill taken, now that it was read? Not if its type was disabled meanwhile."""
        worn = self._worn and self._strict >> self.bill & 1
        return bool(self._enable >> self.bill & 1) and not worn and "SENSOR" not in self.troubles

    def _move(self, route: int) -> None:
        self.phase = "stacking" if route == STACKED else "returning"
        self._later("move_s", self._moved, route)

    def _moved(self, route: int) -> None:
        if route == STACKED and _NO_ROOM & set(self.troubles):
            self._move(RETURNED)
            return
        self.report("BILL", route=route, bill=self.bill)
        if route == STACKED:
            self.stacked, self._last_stacked = self.stacked + 1, self.bill
        self._gone("stacked" if route == STACKED else "returned")

    def _gone(self, to: str) -> None:
        self._tell(to)
        self.bill = self.phase = None

    def _tell(self, to: str) -> None:
        self.happen("bill", type=self.bill, value=self.value(self.bill), to=to)

    # ---- commands

    def states(self) -> list[str]:
        told = super().states()
        if self.phase in ("stacking", "returning") and "BUSY" not in told:
            told.append("BUSY")
        if self.settings["tells_disabled"] and not self._enable:
            told.append("DISABLED")
        return told

    def _setup(self) -> bytes:
        s = self.settings
        return self.spec.build_answer(
            "SETUP", level=s["level"], currency=s["currency"], scaling=s["scaling"], decimals=s["decimals"],
            capacity=s["capacity"], security=s["security"], escrow=0xFF if s["escrow"] else 0,
            credits=sixteen(s["credits"], s["trim"]),
        )  # fmt: skip

    def _security(self, types: int) -> bytes:
        self._strict = types & self.settings["security"]
        return b""

    def _bill_type(self, enable: int, escrow: int) -> bytes:
        self._enable, self._hold = enable, escrow
        return b""

    def _escrow(self, stack: int) -> bytes:
        if self.phase == "escrow":
            self._move(STACKED if stack else RETURNED)
        else:
            self.report("INVALID ESCROW REQUEST")
        return b""

    def _stacker(self) -> bytes:
        return self.spec.build_answer("STACKER", full=int(self.full), count=min(self.stacked, 0x7FFF))

    def _identification(self) -> bytes:
        return self.spec.build_answer("IDENTIFICATION", serial="000000000002", model="VALIDATOR", **IDENTITY)

    def _identification_2(self) -> bytes:
        return self.spec.build_answer(
            "IDENTIFICATION 2", serial="000000000002", model="VALIDATOR", features=0, **IDENTITY
        )

    def _features(self, features: int) -> bytes:
        return b""  # it has no optional features
