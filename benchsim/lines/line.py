"""A link's two conductors: who says what when, and who hears it.

A burst is heard as a whole at its end, with the times of its words by arithmetic. A cause that cuts into
it (a power cut, a hand on the plug, another talker) changes what is heard: `cut`, `hurt` hooks, collisions.

Not modelled: the electrical levels themselves, cable length, reflections.
"""

from collections.abc import Callable

from benchsim.events import BREAK, FRAMING, Burst

Hear = Callable[[Burst], None]
# A hurt changes what arrives: it gets the burst as said and returns what arrives (None: nothing).
Hurt = Callable[[Burst], Burst | None]


class _Flight:
    __slots__ = ("burst", "disturbed_by", "end", "timer", "token")

    def __init__(self, burst, token):
        self.burst, self.token, self.timer = burst, token, None
        self.end = burst.end  # earlier once it was cut
        self.disturbed_by: list[_Flight] = []  # they may have landed since


class Line:
    """One link. `out` is the conductor of the asking side."""

    def __init__(self, name: str, word_ticks: int, clock, trace):
        self.name, self.word_ticks, self.clock, self.trace = name, word_ticks, clock, trace
        self.hurts: list[Hurt] = []
        self.deaf: set[str] = set()  # seats that hear nothing: their end of the cable is off
        self._ears: dict[bool, list[tuple[str, Hear]]] = {True: [], False: []}
        self._flying: dict[bool, list[_Flight]] = {True: [], False: []}
        self._sides: dict[str, bool] = {}

    def attach(self, seat: str, out: bool, hear: Hear) -> None:
        """Seat a party on a side: it speaks on that conductor and hears the other one.

        Seating it again puts the new ear in the place of the old one.
        """
        self._sides[seat] = out
        ears = self._ears[not out]
        ears[:] = [ear for ear in ears if ear[0] != seat] + [(seat, hear)]

    def say(self, seat: str, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = (), word: int = 0) -> Burst:
        """Put words on the seat's conductor from tick `at` on. `word`: their length if not the nominal."""
        length = len(words) * (word or self.word_ticks) + sum(gaps)
        return self._fly(Burst(at, at + length, self.name, self._sides[seat], seat, words, gaps))

    def hold(self, seat: str, at: int, length: int) -> Burst:
        """Hold the seat's conductor active (a break) for `length` ticks."""
        return self._fly(Burst(at, at + length, self.name, self._sides[seat], seat, (BREAK,)))

    def arrived(self, burst: Burst) -> None:
        """Words that a port has read: they are over already."""
        self._land(_Flight(burst, self.trace.begin(burst.start)), burst)

    def cut(self, seat: str) -> None:
        """The seat falls silent at once: what it was saying ends with the last whole word."""
        now = self.clock.now()
        for flight in [f for f in self._flying[self._sides[seat]] if f.burst.sender == seat]:
            flight.timer.cancel()
            flight.end = now
            self._land(flight, _until(_collide(flight), now))

    def busy(self, seat: str) -> bool:
        """Is the seat saying something, or about to?"""
        return any(f.burst.sender == seat for f in self._flying[self._sides[seat]])

    def under_way(self, out: bool) -> int | None:
        """When what is being said on a conductor just now will end; None if it is idle."""
        now = self.clock.now()
        return max((f.burst.end for f in self._flying[out] if f.burst.start <= now), default=None)

    def _fly(self, burst: Burst) -> Burst:
        flight = _Flight(burst, self.trace.begin(burst.start))
        for other in self._flying[burst.out]:
            if other.burst.start < burst.end and burst.start < other.end:
                flight.disturbed_by.append(other)
                other.disturbed_by.append(flight)
        self._flying[burst.out].append(flight)
        flight.timer = self.clock.call_at(burst.end, self._arrive, flight)
        return burst

    def _arrive(self, flight: _Flight) -> None:
        burst = _collide(flight)
        late = self.clock.now() - burst.end
        if late:  # real time only: told as it was, not as it was meant
            burst = burst._replace(start=burst.start + late, end=burst.end + late)
        self._land(flight, burst)

    def _land(self, flight: _Flight, burst: Burst | None) -> None:
        if flight in self._flying[flight.burst.out]:
            self._flying[flight.burst.out].remove(flight)
        for hurt in self.hurts:
            burst = hurt(burst) if burst is not None else None
        self.trace.end(flight.token, burst)
        if burst is not None:
            for seat, hear in self._ears[burst.out]:
                if seat not in self.deaf:
                    hear(burst)


def _until(burst: Burst, now: int) -> Burst | None:
    """The burst as far as it had got by `now`."""
    if burst.is_break:
        return burst._replace(end=now) if now > burst.start else None
    length = burst.word_ticks()
    whole = sum(start + length <= now for start in burst.word_starts())
    if not whole:
        return None
    end = burst.word_starts()[whole - 1] + length
    return burst._replace(end=end, words=burst.words[:whole], gaps=burst.gaps[:whole])


def _collide(flight: _Flight) -> Burst:
    """Two talkers on one conductor: the words that overlap are spoilt for everybody."""
    burst, others = flight.burst, flight.disturbed_by
    if not others:
        return burst
    length, words = burst.word_ticks(), list(burst.words)
    for i, start in enumerate(burst.word_starts()):
        if any(o.burst.start < start + length and start < o.end for o in others):
            words[i] |= FRAMING
    return burst._replace(words=tuple(words))
