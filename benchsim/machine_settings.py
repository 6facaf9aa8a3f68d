"""What the bench file says of the machine beside its coils: tables for cold, supply and wiring, checked in words.

    [machine.cold]
    duty = "drinks"        # or "perishable", "none"
    set_point = 6.5        # °C
    [machine.supply]
    ohms = 2.0             # a tired transformer
    [machine.wiring]
    open_columns = [3]
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.machine import Wiring
from benchsim.seats.setting import FLAG, Kind, Setting, checked, defaults, one_of, wholes

DUTIES = ("none", "perishable", "drinks")  # by their number on the kit link
MOST_LINES = 16  # rows or columns


def within(low: float, high: float, unit: str) -> Kind:
    """A number in a unit."""
    return Kind(f"a number from {low:g} to {high:g} {unit}", lambda n: type(n) in (int, float) and low <= n <= high)


_PAIRS = Kind(
    "pairs of numbers from 0 to 15, such as [[0, 1]]",
    lambda pairs: type(pairs) is list and all(wholes(2, 0, MOST_LINES - 1).fits(p) and len(p) == 2 for p in pairs),
)
_LINES = wholes(MOST_LINES, 0, MOST_LINES - 1)
COLD = {
    "fitted": Setting(True, FLAG, "is there a cold compartment?"),
    "duty": Setting("perishable", one_of(*DUTIES), "what it cools for: perishable food is locked out once it was too warm"),
    "set_point": Setting(3.0, within(-20, 20, "°C"), "temperature to be held"),
    "ambient": Setting(25.0, within(-10, 50, "°C"), "temperature around the machine"),
    "air": Setting(3.0, within(-20, 50, "°C"), "temperature inside as the bench begins"),
}
SUPPLY = {
    "volts": Setting(34.4, within(0, 45, "V"), "without load, peak"),
    "ohms": Setting(0.5, within(0, 100, "ohm"), "inside: transformer and main harness"),
    "farads": Setting(0.01, within(0.0001, 1, "F"), "behind the rectifier"),
    "standby": Setting(0.4, within(0, 10, "A"), "always drawn"),
}
WIRING = {
    "open_rows": Setting([], _LINES, "row wires without contact"),
    "open_columns": Setting([], _LINES, "column wires without contact"),
    "shorted_rows": Setting([], _LINES, "row wires that touch the next one"),
    "swapped_rows": Setting([], _PAIRS, "row wires that were exchanged"),
    "swapped_columns": Setting([], _PAIRS, "column wires that were exchanged"),
    "exchanged": Setting(False, FLAG, "the row connector sits in the column socket, and the other way round"),
    "diodes": Setting(True, FLAG, "each coil has its own"),
}
TABLES = {"cold": COLD, "supply": SUPPLY, "wiring": WIRING}


class ColdSettings(NamedTuple):
    """The compartment, °C."""

    fitted: bool
    duty: str
    set_point: float
    ambient: float
    air: float

    @property
    def setpoint(self) -> tuple[int, int]:
        """Duty and tenths of °C, as SETPOINT has them."""
        return DUTIES.index(self.duty), round(self.set_point * 10)


def machine_table(name: str, given: object, place: str) -> dict:
    """All settings of one of `TABLES`. UsageError at the first that is wrong."""
    if not isinstance(given, dict):
        raise UsageError(f"{place}: machine.{name}: expected a table of settings, not {given!r}")
    try:
        return checked(f"machine.{name}", given, defaults(TABLES[name]), TABLES[name])
    except UsageError as error:
        raise UsageError(f"{place}: {error}") from None


def fits(wiring: dict, rows: int, columns: int, place: str) -> dict:
    """The wiring again; UsageError where a wire is named that this machine has not."""
    for key, value in wiring.items():
        most = rows if key.endswith("rows") else columns
        named = [line for one in value for line in (one if isinstance(one, list) else [one])] if isinstance(value, list) else []
        if any(line >= most for line in named):
            raise UsageError(f"{place}: machine.wiring: {key}: expected numbers from 0 to {most - 1}, not {max(named)}")
    return wiring


def wire(wiring: Wiring, settings: dict) -> None:
    """Put the wiring's settings into a machine."""
    wiring.open_rows, wiring.open_columns = set(settings["open_rows"]), set(settings["open_columns"])
    wiring.shorted_rows = set(settings["shorted_rows"])
    wiring.exchanged, wiring.diodes = settings["exchanged"], settings["diodes"]
    for pair in settings["swapped_rows"]:
        wiring.swap_rows(*pair)
    for pair in settings["swapped_columns"]:
        wiring.swap_columns(*pair)
