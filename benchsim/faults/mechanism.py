"""Mechanisms: real changes of a line, a device, a computer or the machine. A card names one and gives its values.

    @mechanism("words lost", needs=("{link}",))
    def words_lost(site, link, rate):
        '''A word in so many never arrives.'''
        …change something…
        return undo

A mechanism is begun with a `Site` and its values and returns what ends it. It changes causes only; what a
screen shows or a rule says follows from the simulation. All chance comes from the site's own generator.
"""

import random
from collections.abc import Callable
from inspect import signature
from typing import NamedTuple

from benchsim.events import ticks

Undo = Callable[[], None]


class Site(NamedTuple):
    """Where a fault acts: a bench (whole, or one device alone), and the fault's own chance."""

    bench: object
    rng: random.Random


class Mechanism(NamedTuple):
    """One way in which something can be wrong."""

    name: str
    needs: tuple[str, ...]  # links, seats and "coils" that must be simulated; "{seat}" stands for a value
    one_ended: bool  # what reached the far end of a link is not recorded
    begin: Callable[..., Undo]

    @property
    def says(self) -> str:
        """What it changes."""
        return " ".join((self.begin.__doc__ or "").split())

    @property
    def values(self) -> tuple[str, ...]:
        """Names of what it has to be given."""
        return tuple(signature(self.begin).parameters)[1:]

    def needed(self, values: dict) -> tuple[str, ...]:
        """The parts it needs, with these values."""
        return tuple(need.format(**values) for need in self.needs)


MECHANISMS: dict[str, Mechanism] = {}


def mechanism(name: str, needs: tuple[str, ...], one_ended: bool = False) -> Callable:
    """Register a mechanism under the name by which cards call it."""

    def register(begin: Callable[..., Undo]) -> Callable[..., Undo]:
        if name in MECHANISMS:
            raise ValueError(f"the mechanism {name!r} is registered twice")
        MECHANISMS[name] = Mechanism(name, needs, one_ended, begin)
        return begin

    return register


# ---- what mechanisms are made of


def put(thing: object, name: str, value: object) -> Undo:
    """Give an attribute another value; a method is covered for this one object only.

    Faults on one attribute may end in any order: the latest that still lasts counts.
    """
    own, key = vars(thing), f"_under_{name}"
    layers = own.setdefault(key, [(name in own, own.get(name))])
    layer = [value]
    layers.append(layer)
    setattr(thing, name, value)

    def undo() -> None:
        layers[:] = [one for one in layers if one is not layer]
        if len(layers) > 1:
            setattr(thing, name, layers[-1][0])
            return
        there, before = layers[0]
        del own[key]
        if there:
            setattr(thing, name, before)
        else:
            delattr(thing, name)

    return undo


def put_item(table: dict, key: object, value: object) -> Undo:
    """The same for an entry that a table has."""
    before = table[key]
    table[key] = value
    return lambda: table.__setitem__(key, before)


def added(things: set, more: set) -> Undo:
    """Put into a set what it lacks; the undo takes out just that."""
    new = more - things
    things |= new
    return lambda: things.difference_update(new)


def listed(things: list, one: object, first: bool = False) -> Undo:
    """Put something into a list."""
    things.insert(0 if first else len(things), one)
    return lambda: things.remove(one)


def all_of(*undos: Undo) -> Undo:
    """One undo of many, the last change first."""

    def undo() -> None:
        for one in reversed(undos):
            one()

    return undo


def again(site: Site, wait: Callable[[], float], act: Callable[[], None]) -> Undo:
    """`act` again and again, `wait()` seconds apart; the next wait is asked for after the act."""
    clock, timer = site.bench.clock, []

    def arm() -> None:
        timer[:] = [clock.call_far(clock.bench_time() + ticks(wait()), step)]

    def step() -> None:
        act()
        arm()

    arm()
    return lambda: timer[0].cancel()


class On:
    """A listener that acts on happenings of one kind; the act is a call of its own, after what is being told."""

    def __init__(self, site: Site, kind: str, act: Callable[[dict], None], after_s: Callable[[], float]):
        self._clock, self._kind, self._act, self._after = site.bench.clock, kind, act, after_s
        self._over = False

    def burst(self, burst) -> None:
        """Words are none of its business."""

    def leapt(self, length: int, counted: dict) -> None:
        """Nothing happens in a leap."""

    def happening(self, happening) -> None:
        """The right kind?"""
        if happening.kind == self._kind and not self._over:
            self._clock.call_at(self._clock.now() + ticks(self._after()), self._now, happening)

    def _now(self, happening) -> None:
        if not self._over:
            self._act(happening)

    def off(self) -> None:
        """No more."""
        self._over = True


def on(site: Site, kind: str, act: Callable, after_s: Callable[[], float] = lambda: 0.0) -> Undo:
    """`act(happening)` for each happening of a kind, `after_s()` seconds later."""
    listener = On(site, kind, act, after_s)
    site.bench.trace.listeners.append(listener)
    return listener.off
