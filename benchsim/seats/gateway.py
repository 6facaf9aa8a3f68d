"""Communications gateway (MDB/ICP 4.3 §8): takes reports, holds them until the controller lets it send them.

    REPORT ─► held ─► TRANSMIT REQUEST ─► CONTROL TRANSMIT ─► (send_s) ─► DATA TRANSMITTED

Not modelled: what goes over the network and comes back from it, audit files (EVA DTS), file transport, remote vends.
"""

from typing import ClassVar

from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import IDENTITY, Peripheral
from benchsim.seats.setting import Setting, defaults, one_of, period, some_of, whole

NO_LINK, MEMORY_FULL = 1, 2  # codes of ERROR; our own
STRONGEST = 31


class Gateway(Peripheral):
    """`link(up, strength)`. `held` are the reports that wait, `sent` those that went out; both outlive a reset.
    Happenings: report (name, held), sent (reports), link (up, strength).
    """

    SPEC = "gateway"
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {
        "level": Setting(1, one_of(1, 2, 3), "level that it tells in CONFIG"),
        "wait_s": Setting(10, whole(0, 0xFFFF), "its longest answer, as CONFIG tells it, seconds"),
        "send_s": Setting(3.0, period(), "time to send all that it holds, seconds"),
        "capacity": Setting(64, whole(1, 10_000), "reports that it can hold; more are lost, and it tells ERROR"),
        "strength": Setting(20, whole(0, STRONGEST), "of its link when it is switched on; 0: no link"),
        "answers": Setting([], some_of(*ODDITIES), "odd but legal ways to answer"),
    }
    SETTINGS: ClassVar[dict] = defaults(SETTING_CHECKS)
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP": "_setup", "REPORT TRANSACTION": "_transaction", "REPORT EVENT": "_event", "REPORT ASSET": "_asset",
        "REPORT CURRENCY": "_currency", "REPORT PRODUCT": "_product", "CONTROL DISABLE": "_disable",
        "CONTROL ENABLE": "_enable", "CONTROL TRANSMIT": "_transmit", "IDENTIFICATION": "_identification",
        "FEATURES": "_features", "TIME AND DATE": "_time",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.held: list[tuple[str, dict]] = []
        self.sent: list[tuple[str, dict]] = []
        self.strength: int = self.settings["strength"]
        self.stamp: str | None = None  # the last time and date that it was told
        self.cleared()

    def cleared(self) -> None:
        self.enabled = False
        self._asked = False  # TRANSMIT REQUEST is on its way, or was told and not answered
        self._sending = 0  # reports that are just being sent

    # ---- the network

    def link(self, strength: int) -> None:
        """The link to the network changes: 0 is none."""
        had, self.strength = self.strength, strength
        self.happen("link", up=bool(strength), strength=strength)
        self.report("SIGNAL STRENGTH", strength=strength)
        if bool(had) != bool(strength):
            self.report("ERROR", error=NO_LINK, active=int(not strength))
            self._want()

    def _want(self) -> None:
        """Ask to send, if there is something to send and a way to do it."""
        if self.enabled and self.held and self.strength and not (self._asked or self._sending):
            self._asked = True
            self.report("TRANSMIT REQUEST")

    def _send_all(self) -> None:
        sending, self._sending = self._sending, 0
        if self.strength:
            self.sent += self.held[:sending]
            del self.held[:sending]
            self.report("DATA TRANSMITTED")
            self.happen("sent", reports=sending)
        self._want()

    # ---- reports

    def _take(self, name: str, fields: dict) -> bytes:
        if len(self.held) < self.settings["capacity"]:
            self.held.append((name, fields))
        else:
            self.report("ERROR", error=MEMORY_FULL, active=1)
        self.happen("report", name=name, held=len(self.held))
        self._want()
        return b""

    def _transaction(self, **fields) -> bytes:
        return self._take("REPORT TRANSACTION", fields)

    def _event(self, **fields) -> bytes:
        self._take("REPORT EVENT", fields)
        return self.reply("EVENT TAKEN")

    def _asset(self, asset: str) -> bytes:
        return self._take("REPORT ASSET", {"asset": asset})

    def _currency(self, currency: str) -> bytes:
        return self._take("REPORT CURRENCY", {"currency": currency})

    def _product(self, data: bytes) -> bytes:
        return self._take("REPORT PRODUCT", {"data": data})

    # ---- set-up and control

    def _setup(self, level: int, scaling: int, decimals: int) -> bytes:
        return self.reply("CONFIG", level=self.settings["level"], wait_s=self.settings["wait_s"])

    def _identification(self, **_) -> bytes:
        return self.reply("IDENTIFICATION", serial="000000000004", model="GATEWAY", features=0, **IDENTITY)

    def _features(self, features: int) -> bytes:
        return b""  # it has none to enable

    def _time(self, stamp: str) -> bytes:
        self.stamp = stamp
        return b""

    def _disable(self) -> bytes:
        self.enabled = self._asked = False
        return b""

    def _enable(self) -> bytes:
        self.enabled = True
        self._want()
        return b""

    def _transmit(self) -> bytes:
        if self.enabled and self.held and not self._sending:
            self._asked, self._sending = False, len(self.held)
            self.after(self.settings["send_s"], self._send_all)
        return b""
