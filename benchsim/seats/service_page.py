"""The service page behind an open door: what the board has told of itself, in rows of two words or texts.

Not modelled: pages for single devices, a history that outlives a start of the host.
"""

from collections import deque

STATES = ("starting", "identified", "prices in force", "on sale", "vending", "locked out", "in service")
DUTIES = ("no cooling", "perishable food", "drinks")
REASONS = {1: "locked out: food was too warm", 2: "locked out: temperature sensor failed"}
CONDITIONS = ("lost", "ready", "at fault")
OUTCOMES = ("delivered", "nothing fell", "coil did not turn", "coil did not come home", "card refused", "stopped", "cut by power loss")
STARTS = ("power-on", "watchdog", "too low a supply")
LAST = 8  # happenings kept


class ServicePage:
    """Fed with answers and events of the kit link; `rows()` is what is read."""

    def __init__(self):
        self.state = 0
        self.identity: dict = {}
        self.start: int | None = None  # cause of the board's last start
        self.air: int | None = None  # tenths of °C
        self.setpoint: tuple[int, int] | None = None  # duty, tenths of °C, as the board took them
        self.lockout = 0  # reason
        self.millivolts: int | None = None
        self.devices: dict[int, tuple[int, int]] = {}  # bus address -> condition, code
        self.missing: list[tuple[int, int]] | None = None  # coils that the last survey did not find
        self.counters: dict = {}
        self.last: deque[str] = deque(maxlen=LAST)

    # ---- what the board tells

    def heard(self, name: str, fields: dict) -> None:
        """An event."""
        if name == "TEMPERATURE":
            self.air = fields["tenths"]
        elif name == "SUPPLY":
            self.millivolts = fields["millivolts"]
        elif name == "LOCKOUT":
            self.lockout = fields["reason"] if fields["set"] else 0
        elif name == "DEVICE":
            self.devices[fields["address"]] = fields["condition"], fields["code"]
        if told := _EVENTS.get(name):
            self.last.append(told(fields))

    def answered(self, name: str, fields: dict) -> None:
        """A good answer."""
        if name == "RESET":
            self.start = fields["cause"]
        elif name == "IDENT":
            self.identity = fields
        elif name == "COUNTERS":
            self.counters = fields
        elif name == "SURVEY-READ":
            columns = range(self.identity.get("columns", 0))
            self.missing = [(r, c) for r, bits in enumerate(fields["rows"]) for c in columns if not bits >> c & 1]

    # ---- what is read

    def rows(self) -> list[tuple[str, str]]:
        """Name and text of everything that is known."""
        ident = self.identity
        found = [
            ("board", STATES[self.state]),
            ("made by", " ".join(str(ident[k]) for k in ("maker", "model", "serial", "firmware") if k in ident)),
            ("last start", "" if self.start is None else STARTS[self.start]),
            ("food", REASONS.get(self.lockout, "")),
            ("air", "" if self.air is None else f"{self.air / 10:.1f} °C"),
            ("to be held", "" if self.setpoint is None else _setpoint(*self.setpoint)),
            ("supply", "" if self.millivolts is None else f"{self.millivolts / 1000:.1f} V"),
            *((f"device {address:02X}", _device(*told)) for address, told in sorted(self.devices.items())),
            ("coils not found", "" if self.missing is None else ", ".join(map(_place, self.missing)) or "none"),
            *((name.replace("_", " "), str(value)) for name, value in self.counters.items()),
            *(("lately", text) for text in self.last),
        ]
        return [(name, text) for name, text in found if text]


def _setpoint(duty: int, tenths: int) -> str:
    return DUTIES[duty] + (f", {tenths / 10:.1f} °C" if duty else "")


def _device(condition: int, code: int) -> str:
    return CONDITIONS[condition] + (f", code {code}" if code else "")


def _place(where: tuple[int, int]) -> str:
    return f"row {where[0]}, column {where[1]}"


def _vend(fields: dict) -> str:
    return f"{_place((fields['row'], fields['column']))}: {OUTCOMES[fields['outcome']]}"


_EVENTS = {
    "BOOTED": lambda f: f"board started: {STARTS[f['cause']]}",
    "VEND-DONE": _vend,
    "DOOR": lambda f: "door opened" if f["open"] else "door closed",
    "LOCKOUT": lambda f: REASONS[f["reason"]] if f["set"] else "lock-out cleared",
    "PAYOUT": lambda f: f"{f['amount'] / 100:.2f} paid out" + (f", {f['owed'] / 100:.2f} still owed" if f["owed"] else ""),
    "LINK-LOST": lambda f: f"no word from this computer for {f['ms'] / 1000:.1f} s",
    "SERVICE-BUTTON": lambda f: "service button pushed",
    "SURVEY-DONE": lambda f: f"survey: {f['coils']} coils",
}
