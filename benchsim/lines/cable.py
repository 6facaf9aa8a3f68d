"""A cable that was cut open with the bench between: a line at either end, and what happens on the way.

    asker ── end (asking) ──► way: hurts ──► end (answering) ── answerer
          ◄─                     hurts                      ◄──

Words pass on at once, before anything else is done with them. Each end is a line of its own with a trace of its
own, so that every party is judged by what was heard where it is: what was hurt on the way is held against nobody.

What arrived together passes together: a lump is what a hurt sees, on some ports a frame, on others a word.
"""

from collections import Counter
from dataclasses import dataclass, field

from benchsim.clock.clocks import LATE
from benchsim.events import BREAK, TICKS_PER_US, Burst
from benchsim.lines.line import Hurt, Line


@dataclass
class Passed:
    """What became of the lumps that went one way."""

    lumps: int = 0
    lost: int = 0
    changed: int = 0
    later: int = 0  # by a hurt
    took_us: Counter[int] = field(default_factory=Counter)  # whole microseconds that the bench itself added

    def quantile(self, part: float) -> float:
        """Milliseconds that no more than `part` of the lumps was delayed by the bench itself."""
        seen = 0
        for us, count in sorted(self.took_us.items()):
            seen += count
            if seen >= part * self.took_us.total():
                return us / 1000
        return 0.0


class Cable:
    """Both ends of a link, in the place of its line. `hurts` change what passes, `deaf` seats get nothing of it."""

    def __init__(self, name: str, word_ticks: int, clock, asking_trace, answering_trace):
        self.name, self.word_ticks, self.clock = name, word_ticks, clock
        self.hurts: list[Hurt] = []
        self.deaf: set[str] = set()
        # By who sits there: True, the asking side.
        self.ends = {
            True: End(self, name, word_ticks, clock, asking_trace),
            False: End(self, name, word_ticks, clock, answering_trace),
        }
        self.passed = {True: Passed(), False: Passed()}  # by conductor
        self._free_at = {True: 0, False: 0}  # what was delayed is not overtaken
        self._breaks: dict[bool, tuple[int, int]] = {}  # conductor held at the far end -> since when, the trace's token

    @property
    def seats(self) -> list[str]:
        """Who sits at either end."""
        return [seat for end in self.ends.values() for seat in end.seats]

    def words(self, burst: Burst) -> None:
        """Words that one end has heard, on their way to the other."""
        passed = self.passed[burst.out]
        passed.lumps += 1
        arriving = self._hurt(burst)
        if arriving is None:
            passed.lost += 1
            return
        passed.changed += arriving.words != burst.words
        self._at(max(0, arriving.end - burst.end), burst.out, self._arrive, arriving, burst)

    def held(self, out: bool, active: bool, at: int) -> None:
        """A break begins or ends at one end."""
        probe = Burst(at, at + 1, self.name, out, "", (BREAK,))
        arriving = self._hurt(probe) if active else probe
        if arriving is not None:
            self._at(arriving.start - at, out, self._hold, out, active)

    def _hurt(self, burst: Burst) -> Burst | None:
        for hurt in self.hurts:
            if (changed := hurt(burst)) is None:
                return None
            burst = changed
        return burst

    def _at(self, later: int, out: bool, call, *args) -> None:
        now = self.clock.now()
        when = max(now + later, self._free_at[out])
        if when <= now:
            call(*args)
        else:
            self.passed[out].later += 1
            self._free_at[out] = when
            self.clock.call_at(when, call, *args)

    def _arrive(self, burst: Burst, said: Burst) -> None:
        far = self.ends[not burst.out]
        reached = far.reached(burst)
        if burst.end <= said.end:
            self._took(burst.out, max(0, self.clock.now() - said.end))
        if reached:
            far.tell(reached)
        else:
            self.passed[burst.out].lost += 1

    def _took(self, out: bool, ticks: int) -> None:
        """So long the bench itself held words up; more than a little is a stall, for both ends."""
        self.passed[out].took_us[-(-ticks // TICKS_PER_US)] += 1
        if ticks > LATE:
            self.late(ticks)

    def late(self, length: int, **who) -> None:
        """What came late at one end came late at the other."""
        for end in self.ends.values():
            end.trace.late(length, **who)

    def _hold(self, out: bool, active: bool) -> None:
        end, now = self.ends[not out], self.clock.now()
        if active == (out in self._breaks):
            return
        end.hold_all(out, active)
        if active:
            self._breaks[out] = now, end.trace.begin(now)
        else:
            start, token = self._breaks.pop(out)
            end.tell(Burst(start, max(now, start + 1), self.name, out, "", (BREAK,)), token)


class End(Line):
    """One end of a cut cable. Whoever sits here is real: what they say comes through ports."""

    def __init__(self, cable: Cable, name: str, word_ticks: int, clock, trace):
        super().__init__(name, word_ticks, clock, trace)
        self.cable = cable

    def arrived(self, burst: Burst, token: int | None = None) -> None:
        """Words that a port has read: passed on first, then told."""
        if not burst.is_break:
            self.cable.words(burst)
        super().arrived(burst, token)

    def late(self, length: int, **who) -> None:
        """Told at both ends."""
        self.cable.late(length, **who)

    def broke(self, out: bool, active: bool, at: int) -> None:
        """A port reads a break that begins or ends."""
        self.cable.held(out, active, at)

    def reached(self, burst: Burst) -> Burst | None:
        """Words from the other end, to everybody here who hears that conductor: as they are heard, None if by nobody."""
        now = self.clock.now()
        hearing = [port for port in self._followers[burst.out] if port.seat not in self.cable.deaf]
        times = [when for port in hearing if (when := port.pass_on(burst.words, now))]
        if not times:
            return None
        start, end = max(times, key=lambda when: when[1])
        return burst._replace(start=start, end=end, gaps=())

    def hold_all(self, out: bool, active: bool) -> None:
        """A break from the other end begins or ends."""
        for port in self._followers[out]:
            if port.seat not in self.cable.deaf or not active:
                port.hold(active)

    def tell(self, burst: Burst, token: int | None = None) -> None:
        """What has reached this end, for the trace and for its ports. `token`: of the trace, if it was told of its start."""
        super().arrived(burst, token)
