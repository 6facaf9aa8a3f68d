"""A link's two conductors: who says what when, and who hears it.

A burst is heard as a whole at its end, with the times of its words by arithmetic. A cause that cuts into
it (a power cut, a hand on the plug, another talker) changes what is heard: `cut`, `hurt` hooks, collisions.
Who must pass words on while they are being said (a port to a real thing) follows each `Flight` as well.

Not modelled: the electrical levels themselves, cable length, reflections.
"""

from collections.abc import Callable
from typing import Protocol

from benchsim.events import BREAK, FRAMING, Burst

Hear = Callable[[Burst], None]
# A hurt changes what arrives: it gets the burst as said and returns what arrives (None: nothing).
Hurt = Callable[[Burst], Burst | None]


class Flight:
    """A burst that is being said, or soon will be."""

    __slots__ = ("arriving", "burst", "disturbed_by", "end", "hurt", "timer", "token")

    def __init__(self, burst, token):
        self.burst, self.token, self.timer = burst, token, None
        self.end = burst.end  # earlier once it was cut
        self.disturbed_by: list[Flight] = []  # they may have landed since
        self.arriving: Burst | None = burst  # changed by hurts, once they were asked
        self.hurt = False  # they were

    def disturbed(self, start: int, end: int) -> bool:
        """Does anybody else talk on this conductor from `start` to `end`?"""
        return any(o.burst.start < end and start < o.end for o in self.disturbed_by)


class Follower(Protocol):
    """Who passes words on as they are said. Told of a flight before its first word, maybe long before."""

    def took_off(self, flight: Flight) -> None: ...

    def was_cut(self, flight: Flight) -> None: ...


class Line:
    """One link. `out` is the conductor of the asking side.

    `slack`: ticks by which words from a port may be known later than they began; whoever waits for an
    answer waits so much longer.
    """

    def __init__(self, name: str, word_ticks: int, clock, trace):
        self.name, self.word_ticks, self.clock, self.trace = name, word_ticks, clock, trace
        self.hurts: list[Hurt] = []
        self.deaf: set[str] = set()  # seats that hear nothing: their end of the cable is off
        self._ears: dict[bool, list[tuple[str, Hear]]] = {True: [], False: []}
        self.slack = 0
        self._flying: dict[bool, list[Flight]] = {True: [], False: []}
        self._followers: dict[bool, list[Follower]] = {True: [], False: []}
        self._sides: dict[str, bool] = {}

    def attach(self, seat: str, out: bool, hear: Hear) -> None:
        """Seat a party on a side: it speaks on that conductor and hears the other one.

        Seating it again puts the new ear in the place of the old one.
        """
        self._sides[seat] = out
        ears = self._ears[not out]
        ears[:] = [ear for ear in ears if ear[0] != seat] + [(seat, hear)]

    def follow(self, out: bool, follower: Follower) -> None:
        """Tell `follower` of all that takes off on that conductor, with hurts done to it already."""
        self._followers[out].append(follower)

    def unfollow(self, out: bool, follower: Follower) -> None:
        """Tell it no more."""
        self._followers[out].remove(follower)

    def say(self, seat: str, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = (), word: int = 0) -> Burst:
        """Put words on the seat's conductor from tick `at` on. `word`: their length if not the nominal."""
        length = len(words) * (word or self.word_ticks) + sum(gaps)
        return self._fly(Burst(at, at + length, self.name, self._sides[seat], seat, words, gaps))

    def hold(self, seat: str, at: int, length: int) -> Burst:
        """Hold the seat's conductor active (a break) for `length` ticks."""
        return self._fly(Burst(at, at + length, self.name, self._sides[seat], seat, (BREAK,)))

    def arrived(self, burst: Burst, token: int | None = None) -> None:
        """Words that a port has read: they are over already. `token`: of the trace, if it was told of their start."""
        self._land(Flight(burst, self.trace.begin(burst.start) if token is None else token), burst)

    def late(self, length: int, **who) -> None:
        """Times taken here just now may be off by so many ticks."""
        self.trace.late(length, **who)

    def broke(self, out: bool, active: bool, at: int) -> None:
        """A port reads that a break begins or ends: told when it is over, so this concerns only who passes it on."""

    def cut(self, seat: str) -> None:
        """The seat falls silent at once: what it was saying ends with the last whole word."""
        now = self.clock.now()
        for flight in [f for f in self._flying[self._sides[seat]] if f.burst.sender == seat]:
            flight.timer.cancel()
            flight.end = now
            for follower in self._followers[flight.burst.out]:
                follower.was_cut(flight)
            self._land(flight, _until(_collide(flight), now))

    @property
    def seats(self) -> list[str]:
        """Who is seated, on either side."""
        return list(self._sides)

    def busy(self, seat: str) -> bool:
        """Is the seat saying something, or about to?"""
        return any(f.burst.sender == seat for f in self._flying[self._sides[seat]])

    @property
    def talking(self) -> bool:
        """Is anybody saying something, or about to?"""
        return bool(self._flying[True] or self._flying[False])

    @property
    def whole(self) -> bool:
        """Nobody hurts what is said, and everybody hears it."""
        return not self.hurts and not self.deaf

    def under_way(self, out: bool) -> int | None:
        """When what is being said on a conductor just now will end; None if it is idle."""
        now = self.clock.now()
        return max((f.burst.end for f in self._flying[out] if f.burst.start <= now), default=None)

    def _fly(self, burst: Burst) -> Burst:
        flight = Flight(burst, self.trace.begin(burst.start))
        flying, followers = self._flying[burst.out], self._followers[burst.out]
        for other in flying:
            if other.burst.start < burst.end and burst.start < other.end:
                flight.disturbed_by.append(other)
                other.disturbed_by.append(flight)
        flying.append(flight)
        if followers:
            self._hurt(flight)
            for follower in followers:
                follower.took_off(flight)
        flight.timer = self.clock.call_at(burst.end, self._arrive, flight)
        return burst

    def _arrive(self, flight: Flight) -> None:
        burst = _collide(flight) if flight.disturbed_by else flight.arriving
        late = self.clock.now() - flight.burst.end
        if late and burst:  # real time only: told as it was, not as it was meant
            burst = burst._replace(start=burst.start + late, end=burst.end + late)
        self._land(flight, burst)

    def _hurt(self, flight: Flight) -> None:
        flight.hurt = True
        for hurt in self.hurts:
            flight.arriving = hurt(flight.arriving) if flight.arriving is not None else None

    def _land(self, flight: Flight, burst: Burst | None) -> None:
        flying = self._flying[flight.burst.out]
        if flight in flying:
            flying.remove(flight)
        if self.hurts and not flight.hurt:
            flight.arriving = burst
            self._hurt(flight)
            burst = flight.arriving
        self.trace.end(flight.token, burst)
        if burst is not None:
            for seat, hear in self._ears[burst.out]:
                if seat not in self.deaf:
                    hear(burst)


def _until(burst: Burst | None, now: int) -> Burst | None:
    """The burst as far as it had got by `now`."""
    if burst is None:
        return None
    if burst.is_break:
        return burst._replace(end=now) if now > burst.start else None
    length = burst.word_ticks()
    whole = sum(start + length <= now for start in burst.word_starts())
    if not whole:
        return None
    end = burst.word_starts()[whole - 1] + length
    return burst._replace(end=end, words=burst.words[:whole], gaps=burst.gaps[:whole])


def _collide(flight: Flight) -> Burst | None:
    """Two talkers on one conductor: the words that overlap are spoilt for everybody."""
    burst = flight.arriving
    if not flight.disturbed_by or burst is None:
        return burst
    length, words = burst.word_ticks(), list(burst.words)
    for i, start in enumerate(burst.word_starts()):
        if flight.disturbed(start, start + length):
            words[i] |= FRAMING
    return burst._replace(words=tuple(words))
