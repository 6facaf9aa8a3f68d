"""Odd payment devices that keep to the standard, and all variants of a seat. Times from MDB/ICP 4.3 §3."""

from benchsim.checks.device_variants import WRONG, Punctual, Spoils, mixed
from benchsim.checks.stage import Variant
from benchsim.events import MODE, TICKS_PER_MS, ticks


class AtTheLimit(Punctual):
    """Answers begin exactly 5.0 ms after the command: a value at its limit is legal."""

    DELAY = 5 * TICKS_PER_MS


class Prompt(Punctual):
    """Answers begin 0.1 ms after the command."""

    DELAY = TICKS_PER_MS // 10


class Slow:
    """Its bit rate is 1.9 % low."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus.word = self.line.word_ticks * 1000 // 981


class Fast:
    """Its bit rate is 0.9 % high."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus.word = self.line.word_ticks * 1000 // 1009 + 1


class Spaced(Spoils):
    """Pauses exactly 1.0 ms between the words of its blocks."""

    def say(self, name, words, at):
        return (words, at, (0, *(TICKS_PER_MS for _ in words[1:])))


class OneByOne:
    """Tells one event in each answer to POLL."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.most_events = 1


class Reluctant:
    """Says NAK to the first sending of every command but RESET and POLL."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.refuses = True


class Absent:
    """Hears nothing of every eleventh command."""

    heard = 0

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.line.attach(self.seat, False, self._hear)

    def _hear(self, burst):
        command = not burst.is_break and burst.words[0] & MODE
        self.heard += bool(command)
        if not command or self.heard % 11:
            self.bus.hear(burst)


class Boots:
    """Is silent for 0.8 s after each reset."""

    def _reset(self):
        super()._reset()
        self.quiet(0.8)


class Thinks:
    """Says ACK to POLL for half a second after each reset, then JUST RESET."""

    ready_at = 0

    def cleared(self):
        super().cleared()
        self.ready_at = self.clock.now() + ticks(0.5)

    def _poll(self):
        return b"" if self._just_reset and self.clock.now() < self.ready_at else super()._poll()


class HushesAtBreaks:
    """Stops talking as soon as it knows that the line is held, in the middle of a block."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.line.follow(True, self)

    def took_off(self, flight):
        """A break begins: it is known for one after two words' time."""
        if flight.burst.is_break:
            self.clock.call_at(flight.burst.start + 2 * self.line.word_ticks, self.line.cut, self.seat)

    def was_cut(self, flight):
        """Nothing to do."""


class NeverNaks(Spoils):
    """Meets a wrong checksum with silence in place of NAK."""

    def say(self, name, words, at):
        return () if name == "" else False


# What every kind of device is tried with: the fault, the case, the rule that catches it.


LEGAL = (AtTheLimit, Prompt, Slow, Fast, Spaced, OneByOne, Reluctant, Absent, Boots, Thinks, HushesAtBreaks, NeverNaks)


def common(seat: str, make: type, without: tuple[type, ...] = ()) -> tuple[Variant, ...]:
    """The variants of `WRONG` and `LEGAL` for a seat. `without`: those that it cannot be caught by."""
    return (
        *(Variant(mixed(fault, make), seat, case, rule) for fault, case, rule in WRONG if fault not in without),
        *(Variant(mixed(odd, make), seat, None) for odd in LEGAL),
    )
