"""The delivery sensor: a light curtain across the bottom of the machine, which a falling product darkens.

How long a product falls and how long it shades the light follow from its height (free fall, t = sqrt(2 h / g),
v = g t). What the board knows of a delivery is what this sensor saw, nothing else.

Not modelled: products that bounce, get caught on the way, or are held back by the door of the bin.
"""

from math import sqrt

from benchsim.events import ticks

GRAVITY = 9.81  # m/s²
BOTTOM = 0.25  # metres from the lowest row down to the light; common practice
SPACING = 0.18  # metres from row to row; common practice
LEAST = 0.002  # seconds of shade that the sensor notices; common practice
FAULTS = ("", "blind", "blocked", "unplugged")


class LightCurtain:
    """`fault`: "" none, "blind" (its receiver sees light whatever falls), "blocked" (something stands in the
    light) or "unplugged" (no signal, which reads as dark). `product` is the height of what falls, metres.
    """

    def __init__(self, clock, rows: int, product: float = 0.05):
        self.clock, self.rows, self.product = clock, rows, product
        self.fault = ""
        self.seen: int | None = None  # tick of the last shade since `watch`
        self._shades = 0  # products in the light now

    def fall_s(self, row: int) -> float:
        """Seconds from the coil down to the light; row 0 is the highest."""
        return sqrt(2 * (BOTTOM + SPACING * (self.rows - 1 - row)) / GRAVITY)

    def shade_s(self, row: int) -> float:
        """Seconds for which a product of that row darkens the light."""
        return self.product / (GRAVITY * self.fall_s(row))

    def fall(self, row: int) -> None:
        """A product leaves its coil now."""
        self.clock.call_at(self.clock.now() + ticks(self.fall_s(row)), self._shade, self.shade_s(row))

    def watch(self) -> None:
        """The board begins to look."""
        self.seen = None

    @property
    def dark(self) -> bool:
        """What the board reads."""
        return self.fault in ("blocked", "unplugged") or (self.fault != "blind" and self._shades > 0)

    def sound(self) -> bool:
        """The board's own test, its light switched off and on again: does the reading follow?"""
        return self.fault == ""

    def _shade(self, shade_s: float) -> None:
        was = self.dark
        self._shades += 1
        if self.dark and not was and shade_s >= LEAST:
            self.seen = self.clock.now()
        self.clock.call_at(self.clock.now() + ticks(shade_s), self._light)

    def _light(self) -> None:
        self._shades -= 1
