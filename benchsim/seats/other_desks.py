"""Gateway and satellites: devices that the board starts, asks, and has no more business with.

Not modelled: reports to the gateway, selling through a satellite (its requests are refused: no funds).
"""

from benchsim.events import ticks
from benchsim.schema.bus import Mode
from benchsim.seats.payment_desks import MAKER, Desk, Wish


class OtherDesk(Desk):
    """Started as its protocol file says, then polled. What only this board's file knows of may go unanswered."""

    SEARCH = ticks(5.0)  # seldom: most machines have none, and each search costs a response time of silence
    SCALING, DECIMALS = 1, 2

    def __init__(self, clock, book, seat: str, bus, tell):
        self.OPTIONAL = frozenset(self.START) - {"SETUP"}
        super().__init__(clock, book, seat, bus, tell)

    def fields(self, step: str) -> dict | None:
        match step:
            case "SETUP":
                return {"level": 3, "scaling": self.SCALING, "decimals": self.DECIMALS}
            case "IDENTIFICATION":
                return MAKER
            case "FEATURES":
                return {"features": 0}
        return {}

    def later(self, step: str) -> str | None:
        return {"SETUP": "CONFIG", "IDENTIFICATION": "IDENTIFICATION"}.get(step)

    def on_config(self, level, **_) -> None:
        self.mode = Mode(level)


class GatewayDesk(OtherDesk):
    """Communications gateway."""

    NAME = "gateway"
    START = ("SETUP", "IDENTIFICATION", "FEATURES", "CONTROL ENABLE")


class SatelliteDesk(OtherDesk):
    """Universal satellite."""

    NAME = "satellite"
    START = ("SETUP", "IDENTIFICATION", "FEATURES", "FUNDS", "CONTROL ENABLE")

    def clear(self) -> None:
        self._asked = False  # for an item

    def fields(self, step: str) -> dict | None:
        return {"funds": 0} if step == "FUNDS" else super().fields(step)

    def wishes(self) -> Wish | None:
        return Wish("VEND REFUSED") if self._asked else None

    def done(self, wish: Wish, kind: str) -> None:
        self._asked = self._asked and kind not in ("ack", "data")

    def on_item_request(self, **_) -> None:
        self._asked = True
