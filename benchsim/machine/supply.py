"""The 34 V supply: what is drawn makes it sag, and who gets too little starts anew.

Crest and valley of the rectified supply: crest = volts - ohms x amperes; between two crests the capacitor alone
feeds, so the valley is lower by amperes / (2 x hertz x farads) (full-wave rectifier). A party restarts by the
valley at its own end of its harness. Levels are common practice, but for payment devices: 20 V is the least that the
bus's supply may fall to (from memory of MDB/ICP 4.3, hardware section).

Not modelled: the transformer's own saturation, inrush of capacitors, a fuse that ages, a converter that draws more as
its voltage falls.
"""

from collections.abc import Callable

from benchsim.events import ticks

HOLD_UP = ticks(0.005)  # a sag shorter than this is bridged by capacitors behind it
RETURNED = ticks(0.3)  # so long the supply must be good again
AGAIN = 2.0  # volts above its level at which a party starts again
TOLD = 2.0  # volts of change that are told
GONE = 3.0  # volts below which whoever restarts takes it for a power-on
LEAST = 20.0  # volts, MDB/ICP 4.3
LEVELS = {"board": 16.0, "host": 12.0}  # of all others LEAST


class Fed:
    """One party on the supply. `ohms`: of its own harness; `amps`: what it draws through it."""

    def __init__(self, level: float, off: Callable[[], None], on: Callable[[], None], powered: Callable[[], bool],
                 amps: float):  # fmt: skip
        self.level, self.off, self.on, self.powered, self.amps = level, off, on, powered, amps
        self.ohms = 0.0
        self.low = self.stopped = False  # too low; and it was on when that began
        self.least = 0.0  # volts, the lowest since it got too low


class _Cause:
    """An attribute of the supply: once it is set, it looks again."""

    def __set_name__(self, owner, name: str):
        self.name = name

    def __get__(self, supply, owner=None):
        return vars(supply)[self.name]

    def __set__(self, supply, value) -> None:
        vars(supply)[self.name] = value
        supply.changed()


class Supply:
    """`volts` without load, `ohms` inside (transformer and harness), `farads` behind the rectifier, `standby`
    amperes that are always drawn; `open`: the main harness is. All may be set while it runs.
    """

    volts, ohms, farads, standby, open = (_Cause() for _ in range(5))

    def __init__(self, clock, trace, volts: float = 34.4, ohms: float = 0.5, farads: float = 0.01, standby: float = 0.4):
        self.clock, self.trace, self.hertz = clock, trace, 50
        self.tell: Callable[[int], None] = lambda millivolts: None  # the board's reading, when it moved
        self._loads: dict[str, float] = {}
        self._until: dict[str, int] = {}  # of pulses
        self._fed: dict[str, Fed] = {}
        self._look = None
        self.volts, self.ohms, self.farads, self.standby, self.open = volts, ohms, farads, standby, False
        self._said = self.mean

    # ---- what it gives

    @property
    def amps(self) -> float:
        """What is drawn."""
        fed = sum(fed.amps for fed in self._fed.values() if not fed.low)
        return self.standby + fed + sum(self._loads.values())

    @property
    def crest(self) -> float:
        """Volts at the top of a half-wave."""
        return 0.0 if self.open else max(0.0, self.volts - self.ohms * self.amps)

    @property
    def ripple(self) -> float:
        """Volts from crest to valley."""
        return min(self.crest, self.amps / (2 * self.hertz * self.farads))

    @property
    def valley(self) -> float:
        """Volts just before the next half-wave."""
        return self.crest - self.ripple

    @property
    def mean(self) -> float:
        """What a slow voltmeter reads."""
        return self.crest - self.ripple / 2

    # ---- who draws, who is fed

    def draw(self, name: str, amps: float) -> None:
        """A load, 0 ends it."""
        self._loads.pop(name, None)
        if amps:
            self._loads[name] = amps
        self.changed()

    def pulse(self, name: str, amps: float, seconds: float) -> None:
        """A load for a while; one more of its name while it lasts makes it last longer."""
        until = self.clock.now() + ticks(seconds)
        self._until[name] = max(until, self._until.get(name, 0))
        self.draw(name, amps)
        self.clock.call_at(until, self._pulsed, name)

    def _pulsed(self, name: str) -> None:
        if self.clock.now() >= self._until[name]:
            self.draw(name, 0)

    def feed(self, seat: str, off: Callable[[], None], on: Callable[[], None], powered: Callable[[], bool] = lambda: True,
             amps: float = 0.0) -> None:  # fmt: skip
        """A party: `off()` when it gets less than its level, `on()` once the supply is good again, if it was `powered()`."""
        self._fed[seat] = Fed(LEVELS.get(seat, LEAST), off, on, powered, amps)

    def harness(self, seat: str, ohms: float) -> None:
        """The harness of one party has so many ohms (a good one next to none)."""
        self._fed[seat].ohms = ohms
        self.changed()

    def at(self, seat: str) -> float:
        """Volts in the valley at a party's own end."""
        fed = self._fed[seat]
        return max(0.0, self.valley - fed.ohms * fed.amps)

    def was_gone(self, seat: str) -> bool:
        """Was there next to nothing left when it was last too low?"""
        return self._fed[seat].least < GONE

    def changed(self) -> None:
        """Look again, after the capacitors' time."""
        if self._look is None:
            self._look = self.clock.call_at(self.clock.now() + HOLD_UP, self._looked)

    def _looked(self) -> None:
        self._look = None
        if abs(self.mean - self._said) >= TOLD:
            self._said = self.mean
            self.trace.happening("machine", "supply", millivolts=self.millivolts, valley=round(self.valley * 1000))
            self.tell(self.millivolts)
        for seat, volts in [(seat, self.at(seat)) for seat in self._fed]:  # all at once: who falls lightens the load
            fed = self._fed[seat]
            if volts < fed.level:
                self._fell(seat, fed, volts)
            elif fed.low and volts >= fed.level + AGAIN:
                self.clock.call_at(self.clock.now() + RETURNED, self._returned, seat, fed)

    def _fell(self, seat: str, fed: Fed, volts: float) -> None:
        if fed.low:
            fed.least = min(fed.least, volts)
            return
        fed.low, fed.least, fed.stopped = True, volts, fed.powered()
        self.trace.happening("machine", "brownout", at=seat, millivolts=round(volts * 1000))
        self.changed()  # what it drew is drawn no more
        if fed.stopped:
            fed.off()

    @property
    def millivolts(self) -> int:
        """The reading for the kit link, 0 to 65535."""
        return min(0xFFFF, round(self.mean * 1000))

    def _returned(self, seat: str, fed: Fed) -> None:
        if fed.low and self.at(seat) >= fed.level + AGAIN:
            fed.low = False
            self.changed()
            if fed.stopped:
                fed.on()
