"""What can be wrong with the supply, the door's switch and the cold compartment."""

from benchsim.events import ticks
from benchsim.faults.mechanism import Site, Undo, mechanism, on, put
from benchsim.seats.cold_keeper import FAILED, PERISHABLE

HOUR = 3600  # seconds
OUTAGE = 0.5  # seconds that the supply is gone
TOO_WARM = 5.0  # °C, what the board's lock-out of perishable food goes by (FDA Food Code 2022, 3-501.16)


@mechanism("supply weak", needs=("supply",))
def supply_weak(site: Site, ohms: float) -> Undo:
    """Transformer and main harness have so many ohms: the supply sags with every load."""
    return put(site.bench.supply, "ohms", ohms)


@mechanism("supply rippled", needs=("supply",))
def supply_rippled(site: Site, microfarads: float) -> Undo:
    """The capacitor behind the rectifier has lost most of what it had: between two half-waves the supply falls deep."""
    return put(site.bench.supply, "farads", microfarads / 1e6)


@mechanism("harness weak", needs=("supply", "{seat}"))
def harness_weak(site: Site, seat: str, ohms: float) -> Undo:
    """The harness of one party has so many ohms."""
    supply = site.bench.supply
    supply.harness(seat, ohms)
    return lambda: supply.harness(seat, 0.0)


@mechanism("door switch stuck", needs=("door", "board"))
def door_switch_stuck(site: Site, reads: str) -> Undo:
    """The door's switch reads the same for good."""
    door = site.bench.door
    door.break_switch(reads)
    return lambda: door.break_switch("")


# ---- the cold compartment: what has been wrong for hours is found as it has become


def _stood(site: Site, hours: float, compressor: bool, fan: bool) -> None:
    """It has been so for hours, at the moment when the bench begins: the relays stood like this."""
    cold, board = site.bench.cold, site.bench.board
    if site.bench.clock.now():
        return
    cold.compressor, cold.fan = compressor, fan
    cold.stand(hours * HOUR)
    cold.compressor = cold.fan = False
    memory, wanted = board.memory, site.bench.settings.cold.setpoint
    memory.setpoint = wanted
    if wanted[0] == PERISHABLE:  # what the board has made of it meanwhile, as the kit link reference says
        memory.lockout = FAILED if cold.reading is None else 0
        memory.warm = hours * HOUR if cold.air > TOO_WARM else 0.0


@mechanism("sensor dead", needs=("cold",))
def sensor_dead(site: Site, how: str, hours: float) -> Undo:
    """The temperature sensor's line is open or shorted: the board reads nothing and does not cool."""
    undo = put(site.bench.cold.probe, "fault", how)
    _stood(site, hours, compressor=False, fan=True)
    return undo


@mechanism("sensor astray", needs=("cold",))
def sensor_astray(site: Site, celsius: float) -> Undo:
    """The temperature sensor reads so many degrees too much: it hangs in the wrong place, or is another part."""
    return put(site.bench.cold.probe, "astray", celsius)


@mechanism("fan stopped", needs=("cold",))
def fan_stopped(site: Site, hours: float) -> Undo:
    """The evaporator's fan stands: the cold stays where it is made."""
    undo = put(site.bench.cold, "fan_stopped", True)
    _stood(site, hours, compressor=True, fan=True)
    return undo


@mechanism("compressor dead", needs=("cold",))
def compressor_dead(site: Site, hours: float) -> Undo:
    """The compressor never starts, whatever the board's relay does."""
    undo = put(site.bench.cold, "compressor_dead", True)
    _stood(site, hours, compressor=True, fan=True)
    return undo


@mechanism("duty wrong", needs=("cold", "host"))
def duty_wrong(site: Site, duty: int, tenths: int, hours: float) -> Undo:
    """The host's set-up has another duty or temperature for the compartment."""
    host = site.bench.host
    undo = put(host, "setpoint", (duty, tenths))
    _stood(site, hours, compressor=False, fan=False)
    if not site.bench.clock.now():
        site.bench.board.memory.setpoint, site.bench.board.memory.warm = (duty, tenths), 0.0  # nothing was counted
    return undo


# ---- the audit port


@mechanism("totals torn", needs=("board", "supply"))
def totals_torn(site: Site, after_s: float, total: str) -> Undo:
    """So long after the fault begins the main harness opens for a moment, just when the board writes a total."""
    clock, board, supply = site.bench.clock, site.bench.board, site.bench.supply

    def off() -> None:
        supply.open = True
        board.memory.books.ever.tear(total)
        timers.append(clock.call_at(clock.now() + ticks(OUTAGE), back))

    def back() -> None:
        supply.open = False

    timers = [clock.call_at(clock.now() + ticks(after_s), off)]

    def undo() -> None:
        for timer in timers:
            timer.cancel()
        back()

    return undo


@mechanism("audit reader drops out", needs=("auditor", "audit"))
def auditor_drops(site: Site, after_s: float) -> Undo:
    """The audit reader's plug slips so long after a session began."""
    auditor = site.bench.auditor

    def slip(happening) -> None:
        if happening.data["state"] == "begins" and auditor.busy:
            auditor.pull()

    return on(site, "audit", slip, lambda: after_s)
