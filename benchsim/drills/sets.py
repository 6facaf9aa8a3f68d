"""Sets of drills, and how hard a card is by the dictionary: the minutes that its best path takes."""

import math
import random
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache, partial

from benchsim.drills.drill import Drill
from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.settings import Settings
from benchsim.sweeps.diagnose import model_of
from benchsim.sweeps.dictionary import NOT_SEEN, Dictionary
from benchsim.sweeps.work import HEALTHY, Job, laid, observed

SETS = {
    "first day": ("bus wiring", "set-up", "touch panel", "supply"),
    "payment devices": ("payment devices", "bus wiring"),
    "link layer": ("bus signal", "kit link", "computer", "audit"),
    "cold and coils": ("coils and delivery", "door and cold", "supply"),
    "mixed": (),  # all of them
}
LEVELS = (1, 2, 3)
LEAST_BUDGET, EASE = 20.0, 4  # minutes; the best path's times so many
UNSEEN_SEEDS = 1_000_000  # the dictionary's own seeds lie below
STORIES = (
    "The operator calls from the road: a machine that was converted last week makes people angry.",
    "A note hangs at the machine: out of order, ask at the desk. Nobody at the desk knows more.",
    "Takings at one machine have dropped by half since Monday. Nobody has complained.",
    "A converted machine came back from its first week in the field with a tag: does not work right.",
    "You pass a machine on your round, and somebody stops you: it took too long, they say, and then they left.",
    "The workshop's foreman sets a machine on the bench: have a look at this one before it goes out.",
)  # our own


def cards_of(name: str, dictionary: Dictionary, level: int | None = None) -> list[str]:
    """Cards of a set (and level) that the dictionary knows and that show something. UsageError says what was expected."""
    if name not in SETS:
        raise UsageError(f"drill set {name!r}: expected one of {', '.join(SETS)}")
    known = load_cards()
    cards = [
        card for card in dictionary.cards
        if card in known and (not SETS[name] or known[card].group in SETS[name]) and _shows(dictionary, card)
    ]  # fmt: skip
    if level is None:
        return cards
    return [card for card in cards if level_of(dictionary, card) == level]


def _shows(dictionary: Dictionary, card: str) -> bool:
    return dictionary.distance(card, HEALTHY)[0] >= 0.5


def level_of(dictionary: Dictionary, card: str) -> int:
    """1 to 3: in which third of all cards it lies by the minutes of its best path."""
    return _levels(dictionary)[card]


@lru_cache(maxsize=4)
def _levels(dictionary: Dictionary) -> dict[str, int]:
    model, minutes = model_of(dictionary), {}
    for card in dictionary.cards:
        if card in load_cards():
            minutes[card] = Drill(model, partial(usual, dictionary), (card,), math.inf).best_minutes()
    ordered = sorted(minutes, key=lambda card: (minutes[card], card))
    return {card: 1 + 3 * place // len(ordered) for place, card in enumerate(ordered)}


def usual(dictionary: Dictionary, cards: Iterable[str]) -> dict[str, str]:
    """What a visit with this one card shows most often."""
    found, (card,) = {}, cards
    for name in dictionary.seen[card]:
        shares = dictionary.shares(card, name)
        value = max(shares, key=lambda one: (shares[one], one))
        if value != NOT_SEEN:
            found[name] = value
    return found


class Visits:
    """What a visit of this machine shows, by the cards that are still there; each is played once."""

    def __init__(self, settings: Settings, hidden: tuple[str, ...], seed: int):
        self._settings, self._seed = settings, seed
        self._faults = laid(settings, Job("+".join(hidden), seed))
        self._seen: dict[frozenset[str], dict[str, str]] = {}
        self.chosen = {fault.card.id: fault.chosen for fault in self._faults}

    def __call__(self, cards: frozenset[str]) -> dict[str, str]:
        """All that is seen."""
        if cards not in self._seen:
            faults = [*self._settings.faults, *(fault for fault in self._faults if fault.card.id in cards)]
            self._seen[cards] = dict(sorted(observed(replace(self._settings, faults=faults), self._seed).items()))
        return self._seen[cards]


def set_up(dictionary: Dictionary, settings: Settings, name: str, seed: int, level: int | None = None,
           two: bool = False) -> tuple[Drill, str]:  # fmt: skip
    """A drill and its story. `two`: two cards are laid. The same seed gives the same drill."""
    rng = random.Random(f"{seed}/drill/{name}/{level}")
    among = cards_of(name, dictionary, level)
    if len(among) < 1 + two:
        raise UsageError(f"drill set {name!r}, level {level}: no such card in the dictionary, expected another level or set")
    hidden = tuple(rng.sample(among, 1 + two))
    visit = Visits(settings, hidden, UNSEEN_SEEDS + seed)
    drill = Drill(model_of(dictionary), visit, hidden, LEAST_BUDGET, dictionary.groups(), visit.chosen)
    drill.budget = max(LEAST_BUDGET, 5 * math.ceil(EASE * drill.best_minutes() / 5))
    return drill, rng.choice(STORIES)
