"""The temperature sensor in the compartment's air: a thermistor of 10 kilohm at 25 °C, by its Beta equation.

    R(T) = R25 exp(B (1/T - 1/298.15 K))

With B from 0 and 25 °C it follows the usual resistance table of such thermistors within 1 % from -10 to 30 °C, which
is 0.2 °C (the table stands in the test, from memory). A reading beyond what any air can be is an open or shorted sensor.

Not modelled: self-heating, the lag of a probe in its sleeve, moisture in a cable.
"""

from math import exp, log

ZERO = 273.15  # kelvin at 0 °C
R25, BETA, REFERENCE = 10_000.0, 3854.0, 25 + ZERO
OPEN_FROM, SHORT_TO = 300_000.0, 500.0  # ohms, beyond -40 and 110 °C; common practice
FAULTS = ("", "open", "short")


def ohms_at(celsius: float) -> float:
    """Resistance of a good sensor."""
    return R25 * exp(BETA * (1 / (celsius + ZERO) - 1 / REFERENCE))


def celsius_at(ohms: float) -> float | None:
    """What a board makes of a resistance; None for one that no air can give."""
    if not SHORT_TO < ohms < OPEN_FROM:
        return None
    return 1 / (log(ohms / R25) / BETA + 1 / REFERENCE) - ZERO


class Probe:
    """`fault`: "" none, "open" (broken or unplugged) or "short". `astray`: °C by which it reads too high."""

    def __init__(self):
        self.fault, self.astray = "", 0.0

    @property
    def state(self) -> str:
        """"open", "short", "astray" or "" if it is good."""
        return self.fault or ("astray" if self.astray else "")

    def ohms(self, air: float) -> float:
        """What the board measures in air of so many °C."""
        if self.fault:
            return float("inf") if self.fault == "open" else 0.0
        return ohms_at(air + self.astray)
