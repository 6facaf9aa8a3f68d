"""Touch panels that are wrong, or odd but legal."""

from benchsim.checks.stage import Variant
from benchsim.events import TICKS_PER_MS, ticks
from benchsim.links.kit_frames import stuff, wrap
from benchsim.seats.panel import Panel


class BadCheck(Panel):
    """Sends the check with its bytes the other way round."""

    def _wire(self, down, x, y):
        body, flag = self.spec.build_report(down=int(down), x=x, y=y), bytes((self.spec.framing.flag,))
        return flag + stuff(self.spec, body + self.spec.check.bytes_of(body)[::-1]) + flag


class OffTheScreen(Panel):
    """Tells places beyond the edge."""

    def _wire(self, down, x, y):
        return wrap(self.spec, bytes((down,)) + (x + 4096).to_bytes(2, "big") + y.to_bytes(2, "big"))


class Sleepy(Panel):
    """Reports every two seconds when it is idle."""

    def _every(self, limit):
        return ticks(2.0) if limit == "heartbeat" else super()._every(limit)


class Sluggish(Panel):
    """Reports every 60 ms while a finger is down."""

    def _every(self, limit):
        return 60 * TICKS_PER_MS if limit == "report" else super()._every(limit)


class Freezes(Panel):
    """Says nothing any more once it was touched."""

    def release(self):
        self.silent = True
        super().release()


class Mute(Panel):
    """Says nothing at all."""

    def power_on(self):
        self.silent = True
        super().power_on()


class Hurried(Panel):
    """Reports every 15 ms while a finger is down, and ten times a second when it is idle."""

    def _every(self, limit):
        return 15 * TICKS_PER_MS if limit == "report" else 100 * TICKS_PER_MS


class Late(Panel):
    """Reports just in time: every 39 ms, and every 1.45 s when it is idle."""

    def _every(self, limit):
        return 39 * TICKS_PER_MS if limit == "report" else 1450 * TICKS_PER_MS


VARIANTS = (
    Variant(BadCheck, "panel", "idle", "PNL-FRAME"),
    Variant(OffTheScreen, "panel", "touch", "PNL-FRAME"),
    Variant(Sleepy, "panel", "idle", "PNL-RATE"),
    Variant(Sluggish, "panel", "held", "PNL-RATE"),
    Variant(Freezes, "panel", "touch", "PNL-RELEASE"),
    Variant(Mute, "panel", "idle", "SYS-PRESENT"),
    *(Variant(panel, "panel", None) for panel in (Hurried, Late)),
)
