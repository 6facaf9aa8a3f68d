"""What the board drives and reads: coils and delivery (door, cold and supply come beside them)."""

from benchsim.machine.coils import SURVEY_STEP, Coils

__all__ = ["SURVEY_STEP", "Coils"]
