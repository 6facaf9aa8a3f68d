"""Wrong boards for the self-test: food kept cold, and selling again after a fault. One fault each, caught by one rule."""

from benchsim.checks.stage import Variant
from benchsim.seats.board import WRONG_STATE, Board
from benchsim.seats.cold_keeper import MOST, ColdKeeper


class NeverLocks(Board):
    """Sells food however warm it was."""

    class COLD(ColdKeeper):
        def _judge(self, now):
            pass


class ClearsItself(Board):
    """Sells again once the air is cold, though nobody has looked at the food."""

    class COLD(ColdKeeper):
        def _judge(self, now):
            super()._judge(now)
            air = self.air
            if air is not None and air <= MOST:
                self.board.lock_out(0)


class ForgetsLockOut(Board):
    """Knows nothing of a lock-out after a loss of power."""

    def power_on(self, *args, **more):
        self.memory.lockout, self.memory.warm = 0, 0.0
        super().power_on(*args, **more)


class ButtonDeaf(Board):
    """Takes no notice of the service button."""

    class COLD(ColdKeeper):
        def button(self):
            pass


class NoGrace(Board):
    """Locks out ten minutes after service too."""

    class COLD(ColdKeeper):
        def serviced(self):
            pass


class TrustsNothing(Board):
    """Takes a broken sensor for cold air."""

    class COLD(ColdKeeper):
        @property
        def air(self):
            found = super().air
            return 0 if found is None else found


class StaysClosed(Board):
    """Never opens the sale again once the host was silent."""

    silent = False

    def _watch(self):
        super()._watch()
        self.silent = self.silent or self._link_lost

    def _op_open_sale(self, request):
        return (WRONG_STATE, {}) if self.silent else super()._op_open_sale(request)


VARIANTS = (
    Variant(NeverLocks, "board", "food-too-warm", "SYS-COLD"),
    Variant(ClearsItself, "board", "food-too-warm", "SYS-COLD"),
    Variant(ForgetsLockOut, "board", "food-too-warm", "SYS-COLD"),
    Variant(ButtonDeaf, "board", "food-too-warm", "SYS-COLD"),
    Variant(NoGrace, "board", "food-service", "SYS-COLD"),
    Variant(TrustsNothing, "board", "food-sensor-fails", "SYS-COLD"),
    Variant(StaysClosed, "board", "host-back", "SYS-RECOVER"),
)
