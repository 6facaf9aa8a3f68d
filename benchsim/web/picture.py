"""What there is to see of a machine, as JSON values."""

from benchsim.live.watch import seat_states
from benchsim.seats.screen import SERVICE_PAGE

REAL_HOST = "The host is real: read its own screen"


def machine(bench, seats: dict[str, str] | None = None, faults: list[str] = ()) -> dict[str, object]:
    """Of a bench, just now. `seats`: how they are, if somebody knows more than the bench; `faults`: that are on."""
    reader = bench.devices.get("cashless1")
    return _screen(bench) | {
        "seats": seat_states(bench, {}) if seats is None else seats,
        "lights": {seat: device.on for seat, device in bench.devices.items()},
        "coils_seen": bench.board is not None,
        "empty": sorted(map(list, bench.coils.empty)),
        "missing": sorted(map(list, bench.coils.missing)),
        "jammed": sorted(map(list, bench.coils.jammed)),
        "door": bench.door.open,
        "air": round(bench.cold.air, 1) if bench.cold else None,
        "card": reader.card_in if reader else False,
        "faults": list(faults),
    }


def _screen(bench) -> dict[str, object]:
    host = bench.host
    if host is None:
        credit = bench.board.till.total if bench.board else None
        shown = {"message": REAL_HOST, "credit": credit, "prices": bench.settings.prices}
        return shown | {"needed": None, "screen_on": True, "service": []}
    screen = host.screen
    return {
        "message": screen.message if host.on else "",
        "credit": screen.credit if host.on else 0,
        "needed": screen.needed if host.on else None,
        "screen_on": host.on,
        "prices": host.table() if host.on and host.rows else [],
        "service": screen.service.rows() if host.on and screen.page == SERVICE_PAGE else [],
    }
