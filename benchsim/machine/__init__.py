"""What the board drives and reads: coils and their wiring, delivery, door, cold compartment, supply."""

from benchsim.machine.coils import SURVEY_STEP, Coils
from benchsim.machine.cold import Cold
from benchsim.machine.delivery import LightCurtain
from benchsim.machine.door import Door
from benchsim.machine.supply import Supply
from benchsim.machine.wiring import Wiring

__all__ = ["SURVEY_STEP", "Coils", "Cold", "Door", "LightCurtain", "Supply", "Wiring"]
