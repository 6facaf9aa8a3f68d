"""The fault dictionary: how often each card shows what, computed from the runs of a sweep.

    cards      for each card (and the healthy bench) the counts of every observable's values
    distance   of two cards: by how much the most telling observable differs (total variation, 0 to 1)
    groups     cards that cannot be told apart by what a visit without a recorder shows
    splits     for two cards of a group the cheapest further look, or hand, that tells them apart
    strength, least    how much all evidence together counts, found on runs that were kept back (`diagnose.py`)
"""

import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from itertools import combinations
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.schema import protocols_folder
from benchsim.sweeps.observables import LOOKS, look_of
from benchsim.sweeps.store import Store
from benchsim.sweeps.work import HEALTHY, Result

NOT_SEEN = "(not seen)"
ALIKE = 0.5  # cards nearer than this count as alike
APART = 0.8  # a look that differs so much tells two cards apart
SHOWS = 0.9  # a card shows itself if some observable differs so much from the healthy bench
VISIBLE = ("screen", "lights", "sale", "device", "survey", "counters", "cold", "audit")  # looks without a recorder

SEAT = "seat"  # a parameter of cards: with another device another visit
Counts = dict[str, dict[str, int]]  # observable -> value -> runs


class Dictionary:
    """`cards` in the order of the cards; `runs` how many of each; `kinds` the counts of each seat, of cards that have one."""

    def __init__(self, about: dict, runs: dict[str, int], seen: dict[str, Counts], strength: float,
                 least: dict[str, float] | None = None, measured: dict | None = None,
                 kinds: dict[str, dict[str, Counts]] | None = None):  # fmt: skip
        self.about, self.runs, self.seen, self.kinds = about, runs, seen, kinds or {}
        self.strength, self.least, self.measured = strength, least or {}, measured
        self._shares: dict[tuple[str, str], dict[str, float]] = {}  # what was reckoned once
        self._far: dict[tuple, tuple[float, str]] = {}

    @property
    def cards(self) -> list[str]:
        """Everything that it knows, the healthy bench first."""
        return list(self.runs)

    def values(self) -> dict[str, list[str]]:
        """Every observable with the values that it was seen to have."""
        found: defaultdict[str, set] = defaultdict(set)
        for counts in self.seen.values():
            for name, values in counts.items():
                found[name] |= set(values)
        return {name: sorted(found[name]) for name in sorted(found)}

    def shares(self, card: str, observable: str) -> dict[str, float]:
        """How large a share of the card's runs showed which value."""
        known = self._shares.get((card, observable))
        if known is None:
            known = self._shares[card, observable] = _shares(self.seen[card].get(observable, {}), self.runs[card])
        return known

    def differs(self, one: str, other: str, observable: str) -> float:
        """Total variation distance of two cards in one observable."""
        return _apart(self.shares(one, observable), self.shares(other, observable))

    def distance(self, one: str, other: str, looks: tuple[str, ...] = tuple(LOOKS)) -> tuple[float, str]:
        """By the most telling observable of some ways of looking: (0 to 1, its name)."""
        key = (*sorted((one, other)), looks)
        if key not in self._far:
            self._far[key] = self._most_telling(one, other, looks)
        return self._far[key]

    def _most_telling(self, one: str, other: str, looks: tuple[str, ...]) -> tuple[float, str]:
        best = (0.0, "")
        for name in {*self.seen[one], *self.seen[other]}:
            if name.partition(".")[0] in looks:
                found = self.differs(one, other, name)
                if (found, best[1]) > (best[0], name):
                    best = (found, name)
        return best

    def shows(self, card: str) -> bool:
        """Differs some observable from the healthy bench in nearly every visit, at whatever device the card acts?"""
        return all(self._stands_out(seen) for seen in (self.kinds.get(card) or {"": self.seen[card]}).values())

    def _stands_out(self, seen: Counts) -> bool:
        runs = max(sum(counts.values()) for counts in seen.values())
        names = {*seen, *self.seen[HEALTHY]}
        return any(_apart(_shares(seen.get(name, {}), runs), self.shares(HEALTHY, name)) >= SHOWS for name in names)

    def symptoms(self, card: str, most: int = 12) -> list[tuple[str, str, float, float]]:
        """What differs from the healthy bench: (observable, the card's commonest value, its share, share when healthy)."""
        rows = []
        for name in {*self.seen[card], *self.seen[HEALTHY]}:
            far = self.differs(card, HEALTHY, name)
            if far < 0.3:
                continue
            mine, sound = self.shares(card, name), self.shares(HEALTHY, name)
            value = max(mine, key=lambda v: (mine[v] - sound.get(v, 0), v))
            if value != NOT_SEEN:
                rows.append((-far, look_of(name).minutes, name, value, mine[value], sound.get(value, 0.0)))
        return [(name, value, share, sound) for _, _, name, value, share, sound in sorted(rows)[:most]]

    # ---- what looks alike

    def groups(self) -> list[list[str]]:
        """Cards alike by what a visit without a recorder shows; each is alike to every other one of its group."""
        near = {frozenset(pair) for pair in combinations(self.cards, 2) if self.distance(*pair, VISIBLE)[0] < ALIKE}
        left, found = list(self.cards), []
        while left:
            group = [left.pop(0)]
            for card in list(left):
                if all(frozenset((card, other)) in near for other in group):
                    group.append(card)
                    left.remove(card)
            if len(group) > 1:
                found.append(group)
        return found

    def split(self, one: str, other: str) -> dict:
        """The cheapest way to tell two cards apart: a further look, or to confirm one of them by hand."""
        ways = []
        for look in LOOKS.values():
            if look.name not in VISIBLE:
                far, name = self.distance(one, other, (look.name,))
                if far >= APART:
                    ways.append({"minutes": look.minutes, "check": look.says, "by": name, "apart": round(far, 3)})
        known = load_cards()
        for card in (one, other):
            if card in known:
                ways.append({"minutes": known[card].minutes, "check": known[card].confirm, "by": card, "apart": 1.0})
        return min(ways, key=lambda way: way["minutes"])

    # ---- as a file

    def as_json(self) -> dict:
        """All of it as plain values."""
        groups = self.groups()
        return {
            "about": self.about,
            "strength": self.strength,
            "measured": self.measured,
            "looks": {look.name: {"says": look.says, "minutes": look.minutes} for look in LOOKS.values()},
            "cards": {
                card: {
                    "runs": self.runs[card],
                    "least": self.least.get(card),
                    "shows": card == HEALTHY or self.shows(card),
                    "seen": _in_order(self.seen[card]),
                    "kinds": {seat: _in_order(seen) for seat, seen in sorted(self.kinds.get(card, {}).items())},
                }
                for card in self.cards
            },
            "distance": {
                one: {other: round(self.distance(one, other)[0], 3) for other in self.cards if other != one} for one in self.cards
            },
            "groups": [
                {
                    "cards": group,
                    "splits": [{"between": list(pair), **self.split(*pair)} for pair in combinations(group, 2)],
                }
                for group in groups
            ],
        }  # fmt: skip

    def save(self, path: Path) -> None:
        """Write it."""
        path.write_text(json.dumps(self.as_json(), separators=(",", ":"), ensure_ascii=False) + "\n", "utf-8")


def shipped() -> Path | None:
    """The dictionary of the demo bench that comes with the package, if it does."""
    path = protocols_folder() / "faults" / "dictionary.json"
    return path if path.is_file() else None


def load_dictionary(path: Path) -> Dictionary:
    """Read it again. UsageError if it is none."""
    try:
        found = json.loads(path.read_text("utf-8"))
        cards = found["cards"]
        if not found["strength"] > 0 or HEALTHY not in cards or not all(map(_is_card, cards.values())):
            raise ValueError
        return Dictionary(found["about"], {c: cards[c]["runs"] for c in cards}, {c: cards[c]["seen"] for c in cards},
                          found["strength"], {c: cards[c]["least"] for c in cards if cards[c]["least"] is not None},
                          found["measured"], {c: cards[c].get("kinds", {}) for c in cards})  # fmt: skip
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise UsageError(f"{path}: expected the dictionary of a sweep (dictionary.json)") from None


def _is_card(card: dict) -> bool:
    """Runs, and counts of what they showed, as `as_json` writes them."""
    seen = [card["seen"], *card.get("kinds", {}).values()]
    counts = [n for one in seen for values in one.values() for n in values.values()]
    least = card["least"] is None or isinstance(card["least"], int | float)
    return least and all(type(n) is int and n > 0 for n in (card["runs"], *counts))


def counted(results: Iterable[Result]) -> tuple[dict[str, int], dict[str, Counts]]:
    """(runs, seen) of some results, card by card; the healthy bench first, then as the cards are ordered."""
    runs: Counter = Counter()
    seen: defaultdict[str, defaultdict] = defaultdict(lambda: defaultdict(Counter))
    for result in results:
        card = result.job.cards
        if "+" in card:
            continue  # pairs are for measuring, they are no cards
        runs[card] += 1
        for name, value in result.values.items():
            seen[card][name][value] += 1
    order = [card for card in (HEALTHY, *load_cards()) if card in runs]
    return {card: runs[card] for card in order}, {card: {n: dict(v) for n, v in seen[card].items()} for card in order}


def by_seat(results: Iterable[Result]) -> dict[str, dict[str, Counts]]:
    """Counts of cards that act at one seat or another: card -> seat -> counts."""
    known, kinds = load_cards(), defaultdict(lambda: defaultdict(list))
    for result in results:
        if result.job.cards in known and SEAT in known[result.job.cards].parameters:
            kinds[result.job.cards][json.loads(result.chosen)[0][SEAT]].append(result)
    return {card: {seat: counted(some)[1][card] for seat, some in seats.items()} for card, seats in kinds.items()}


def _shares(counts: dict[str, int], runs: int) -> dict[str, float]:
    told = {value: n / runs for value, n in counts.items()}
    rest = 1 - sum(told.values())
    return told | {NOT_SEEN: rest} if rest > 1e-9 else told


def _apart(one: dict[str, float], other: dict[str, float]) -> float:
    """Total variation distance."""
    return sum(abs(one.get(value, 0) - other.get(value, 0)) for value in {*one, *other}) / 2


def _in_order(seen: Counts) -> Counts:
    return {name: dict(sorted(values.items())) for name, values in sorted(seen.items())}


def build(store: Store, held_out: int = 0) -> Dictionary:
    """The dictionary of a sweep. The last `held_out` seeds are kept from it, and it is measured by them."""
    from benchsim.sweeps.diagnose import model_of, tuned
    from benchsim.sweeps.measured import measure

    results = list(store.results())
    seeds = sorted({result.job.seed for result in results if "+" not in result.job.cards})
    kept = set(seeds[len(seeds) - held_out :]) if held_out else set()
    mine = [result for result in results if result.job.seed not in kept]
    runs, seen = counted(mine)
    if HEALTHY not in runs or len(runs) < 2:
        raise UsageError(f"{store.path}: expected runs of the healthy bench and of cards, found {', '.join(runs) or 'none'}")
    used = [seed for seed in seeds if seed not in kept]
    about = store.about | {"seeds": f"{used[0]} to {used[-1]}", "visits": str(sum(runs.values()))}
    made = Dictionary(about, runs, seen, *tuned(mine), kinds=by_seat(mine))
    if kept:
        made.measured = measure(model_of(made), [r for r in results if r.job.seed in kept], made.groups())
    return made
