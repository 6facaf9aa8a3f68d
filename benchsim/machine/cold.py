"""The cold compartment: air, product and evaporator, with heat that flows between them.

              fan                    compressor
    product ═══════ air ═════════ evaporator ═════════ boiling refrigerant
                     ║
        ambient ═════╝  walls and glass, or an open door; lamps and the fan's motor beside

Each ═ carries watts in proportion to the difference in temperature, so for one set of switches (door, fan, compressor)
the system is linear, and a step of any length is exact: a matrix exponential, reckoned once for steps of 10 s. Masses
and conductances are common practice for a glass-front machine of 0.5 m³ with 60 kg of food.

The board switches `compressor` and `fan` and reads the `probe`. What the compartment truly is, is told as a happening ("cold") whenever the air has moved, and once a minute.

Not modelled: frost and defrosting, air in layers, food that is put in warm (but for `settle`), a compressor's overload.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

from benchsim.events import seconds, ticks
from benchsim.machine.exponential import Matrix, exponential
from benchsim.machine.probe import Probe, celsius_at

STEP = ticks(10)
TOLD, TOLD_EVERY = 0.2, ticks(60)  # °C of change, time, after which the truth is told
BOILING = -25.0  # °C, refrigerant
LAMPS, FAN = 10.0, 15.0  # watts into the air


class Body(NamedTuple):
    """Heat capacities in J/K, conductances in W/K. Pairs: without, with the fan running."""

    air: float = 20_000.0
    product: float = 210_000.0
    evaporator: float = 5_000.0
    walls: float = 3.5
    doorway: float = 30.0  # in place of the walls while the door is open
    to_product: tuple[float, float] = (10.0, 25.0)
    to_evaporator: tuple[float, float] = (1.5, 45.0)
    to_refrigerant: float = 25.0  # while the compressor runs


class _Switch:
    """An attribute of the compartment. What happened until now is reckoned before it changes."""

    def __set_name__(self, owner, name: str):
        self.name = name

    def __get__(self, cold, owner=None):
        return vars(cold)[self.name]

    def __set__(self, cold, value) -> None:
        cold.advance()
        vars(cold)[self.name] = value


class Cold:
    """The compartment. `compressor`, `fan`: the board's relays. What can be wrong: `compressor_dead`,
    `fan_stopped` (of the evaporator), `probe.fault`; `ambient` (°C) may change too.

    `start()` once; `look()` is then called after each step of 10 s.
    """

    compressor, fan, door_open, compressor_dead, fan_stopped, ambient = (_Switch() for _ in range(6))

    def __init__(self, clock, trace, ambient: float = 25.0, air: float = 3.0, body: Body = Body()):
        self.clock, self.trace, self.body = clock, trace, body
        self.probe = Probe()
        self.look: Callable[[], None] = lambda: None
        self.touches: Callable[[], str | None] = lambda: ""  # what a look now would change (`Clock.call_aside`)
        self._at = clock.bench_time()
        self._said: tuple[float, str] | None = None  # air, state of the probe
        self._said_at = 0
        self._heat = (air, air, air)  # °C of air, product, evaporator
        switches = ("compressor", "fan", "door_open", "compressor_dead", "fan_stopped")
        vars(self).update(dict.fromkeys(switches, False), ambient=ambient)

    @property
    def air(self) -> float:
        """°C now."""
        self.advance()
        return self._heat[0]

    @property
    def product(self) -> float:
        """°C now."""
        self.advance()
        return self._heat[1]

    @property
    def evaporator(self) -> float:
        """°C now."""
        self.advance()
        return self._heat[2]

    @property
    def reading(self) -> float | None:
        """°C as the board reads them; None where its sensor is open or shorted."""
        return celsius_at(self.probe.ohms(self.air))

    def settle(self, celsius: float) -> None:
        """It has stood long: everything inside has that temperature now."""
        self.advance()
        self._heat = (celsius, celsius, celsius)
        self._tell()

    def stand(self, seconds: float) -> None:
        """It has stood for so long with the switches as they are now."""
        self.advance()
        self._at -= ticks(seconds)
        self.advance()
        self._tell()

    def start(self) -> None:
        """Time passes from here on."""
        self.advance()
        self._tell()
        self._next()

    def _next(self) -> None:
        self.clock.call_aside(self.clock.bench_time() + STEP, self._touches, self._step)

    def _touches(self) -> str | None:
        self.advance()
        return self.touches()

    def advance(self) -> None:
        """Reckon what happened until now, with the switches as they are."""
        now = self.clock.bench_time()
        if now <= self._at:
            return
        length, self._at = now - self._at, now
        flow = _flow(self.body, self.door_open, self.fan and not self.fan_stopped,
                     self.compressor and not self.compressor_dead, length)  # fmt: skip
        state = (*self._heat, self.ambient, 1.0)
        self._heat = tuple(sum(a * b for a, b in zip(row, state, strict=True)) for row in flow[:3])

    def _step(self) -> None:
        self._next()
        self.advance()
        air, sensor = self._said
        moved = abs(self._heat[0] - air) >= TOLD or self.probe.state != sensor
        if moved or self.clock.bench_time() - self._said_at >= TOLD_EVERY:
            self._tell()
        self.look()

    def _tell(self) -> None:
        self._said, self._said_at = (self._heat[0], self.probe.state), self.clock.bench_time()
        air, product, evaporator = (round(celsius, 1) for celsius in self._heat)
        told = {"sensor": self.probe.state} if self.probe.state else {}
        self.trace.happening("machine", "cold", air=air, product=product, evaporator=evaporator, **told)


@lru_cache(maxsize=64)
def _flow(body: Body, door_open: bool, fan: bool, compressor: bool, length: int) -> Matrix:
    """What becomes of (air, product, evaporator, ambient, 1) in so many ticks."""
    doorway = body.doorway if door_open else body.walls
    to_product, to_evaporator = body.to_product[fan], body.to_evaporator[fan]
    to_refrigerant = body.to_refrigerant if compressor else 0.0
    watts = (
        (-doorway - to_product - to_evaporator, to_product, to_evaporator, doorway, LAMPS + FAN * fan),
        (to_product, -to_product, 0.0, 0.0, 0.0),
        (to_evaporator, 0.0, -to_evaporator - to_refrigerant, 0.0, to_refrigerant * BOILING),
    )
    capacities = (body.air, body.product, body.evaporator)
    rates = [[flow / capacity for flow in row] for row, capacity in zip(watts, capacities, strict=True)]
    still = [[0.0] * 5] * 2  # ambient, 1
    return exponential(tuple(tuple(rate * seconds(length) for rate in row) for row in (*rates, *still)))
