"""Time at the bench: one interface, in virtual time or in real time."""

from benchsim.clock.clocks import Clock, RealClock, Timed, VirtualClock
from benchsim.clock.loop import NoOutside, Stalled, VirtualLoop
from benchsim.clock.run import run

__all__ = [
    "Clock",
    "NoOutside",
    "RealClock",
    "Stalled",
    "Timed",
    "VirtualClock",
    "VirtualLoop",
    "run",
]
