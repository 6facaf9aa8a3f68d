"""From what was seen to what is wrong: cards ranked by probability, with doubt.

Bayes' theorem over the observables of the dictionary, as if they were independent of each other given the card.
They are not (one cut cable breaks twenty rules at once), so all evidence together counts for no more than a few
independent pieces: the likelihood of n observables gets the exponent min(1, strength / n). The strength is the one
with the least logarithmic score on runs that were kept back. And a whole visit that is less likely with a card than
any of that card's own visits was, when it was kept back, speaks against the card by so much once more. Shares are
smoothed towards those of all cards together. A card that acts at one device or another is looked at for each of them.

Two hypotheses are no cards: the healthy bench, and "none of these". An unknown fault either looks like one that is
known but for something: it is near any of the cards, each observable with a small chance of anything that all cards
together show. Or it looks like none, and shows anything as often as all of them do. Both are held equally likely.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable
from operator import mul
from typing import NamedTuple

from benchsim.faults import load_cards
from benchsim.sweeps.dictionary import Counts, Dictionary, by_seat, counted
from benchsim.sweeps.observables import LOOKS
from benchsim.sweeps.work import HEALTHY, Result

NONE_OF_THESE = "none of these"
PRIOR = {HEALTHY: 0.1, NONE_OF_THESE: 0.05}  # beforehand; the cards share the rest evenly
UNLIKE = 0.05  # the chance of each observable to be otherwise than with the card that something unknown is near
SMOOTH = 1.0  # runs' worth of what all cards together show, added to each card
STRENGTHS = (2, 3, 4, 6, 8, 11, 16, 22, 32, 45, 64, 90, 128, 180)
FOLDS = 4  # for finding the strength
ENOUGH = 2000  # runs to find it by, evenly taken from all
WHOLE = 0.5  # of all observables: so much is a whole visit
TINY = 1e-12  # least probability that is scored
SURE = 0.5  # nothing more likely than this: the first is no answer yet


class Check(NamedTuple):
    """Something to do next."""

    says: str
    minutes: float
    bits: float  # that it is expected to tell, at least

    @property
    def pace(self) -> float:
        """Bits a minute."""
        return self.bits / self.minutes


class Column(NamedTuple):
    """How likely one value of an observable is."""

    shares: list[float]  # with each card, and with none
    share_logs: list[float]  # share times its logarithm
    own: list[float]  # logarithms with each way of each card
    near: list[float]  # logarithms for something unknown near each way
    far: float  # logarithm for something like no card


class Scores(NamedTuple):
    """Sums of the columns of all evidence, not weighed."""

    own: list[float]
    near: list[float]
    far: float
    pieces: int  # of evidence that the dictionary knows


class Model:
    """A dictionary made ready for asking."""

    def __init__(self, runs: dict[str, int], seen: dict[str, Counts], strength: float,
                 least: dict[str, float] | None = None, kinds: dict[str, dict[str, Counts]] | None = None):  # fmt: skip
        self.runs, self.seen, self.strength, self.least = runs, seen, strength, least or {}
        self.ways = [(card, one) for card in runs for one in ((kinds or {}).get(card) or {"": seen[card]}).values()]
        self.cards = [*runs, NONE_OF_THESE]
        even = (1 - sum(PRIOR.values())) / max(len(runs) - 1, 1)
        self.prior = {card: PRIOR.get(card, even) for card in self.cards}
        self.names = sorted({name for counts in seen.values() for name in counts})
        self._together = {name: self._pooled(name) for name in self.names}
        self._columns: dict[tuple[str, str], Column] = {}
        self._asked: dict[tuple, list[Check]] = {}

    def _pooled(self, name: str) -> dict[str, float]:
        """Shares of an observable's values over all cards, each with the same say, and a little for any other."""
        total: dict[str, float] = {}
        for card in self.runs:
            counts = self.seen[card].get(name, {})
            told = sum(counts.values())
            for value, n in counts.items():
                total[value] = total.get(value, 0.0) + n / told
        whole = sum(total.values()) + 1
        return {value: n / whole for value, n in total.items()}

    def share(self, card: str, name: str, value: str) -> float:
        """How likely a card is to show a value, where the observable is seen at all."""
        return self._share({} if card == NONE_OF_THESE else self.seen[card], name, value)

    def _share(self, seen: Counts, name: str, value: str) -> float:
        pooled = self._together[name]
        anything = pooled.get(value, 1 / (1 + sum(pooled.values())) * 0.01)
        counts = seen.get(name, {})
        return (counts.get(value, 0) + SMOOTH * anything) / (sum(counts.values()) + SMOOTH)

    def column(self, name: str, value: str) -> Column:
        """All that is asked of one value, computed once."""
        found = self._columns.get((name, value))
        if found is None:
            shares = [self.share(card, name, value) for card in self.cards]
            own, far = [self._share(seen, name, value) for _, seen in self.ways], shares[-1]
            found = self._columns[name, value] = Column(
                shares, [one * math.log(one) for one in shares], [math.log(one) for one in own],
                [math.log((1 - UNLIKE) * one + UNLIKE * far) for one in own], math.log(far),
            )  # fmt: skip
        return found

    def scores(self, seen: dict[str, str]) -> Scores:
        """Of all evidence."""
        columns = [self.column(name, value) for name, value in seen.items() if name in self._together]
        own, near = self._summed([column.own for column in columns]), self._summed([column.near for column in columns])
        return Scores(own, near, sum(column.far for column in columns), len(columns))

    def _summed(self, logs: list[list[float]]) -> list[float]:
        return list(map(sum, zip(*logs, strict=True))) if logs else [0.0] * len(self.ways)

    def probabilities(self, seen: dict[str, str]) -> dict[str, float]:
        """Of every hypothesis, the likeliest first."""
        return self.weighed(self.scores(seen), self.strength)

    def weighed(self, scores: Scores, strength: float, without: str | None = None) -> dict[str, float]:
        """The same from scores; `without` a card, as if it were not known."""
        weight = min(1.0, strength / max(scores.pieces, 1))
        whole = scores.pieces >= WHOLE * len(self.names)
        own, near = defaultdict(list), []
        for (card, _), score, beside in zip(self.ways, scores.own, scores.near, strict=True):
            if card != without:
                least = self.least.get(card, -math.inf) * scores.pieces if whole else -math.inf
                own[card].append(weight * (score - max(0.0, least - score)))
                near.append(weight * beside)
        logs = {card: math.log(self.prior[card]) + _log_mean(several) for card, several in own.items()}
        logs[NONE_OF_THESE] = math.log(self.prior[NONE_OF_THESE]) + _log_mean([_log_mean(near), weight * scores.far])
        top = max(logs.values())
        total = sum(math.exp(one - top) for one in logs.values())
        found = {card: math.exp(one - top) / total for card, one in logs.items()}
        return dict(sorted(found.items(), key=lambda pair: (-pair[1], pair[0])))

    def spoke(self, seen: dict[str, str], ranked: dict[str, float], most: int = 6) -> list[tuple[str, str, float]]:
        """Evidence for the first against the healthy bench, or for the healthy bench against the second: (observable,
        value, how many times likelier it is)."""
        first, second = list(ranked)[:2]
        against = second if first == HEALTHY else HEALTHY
        odds = [
            (self.share(first, name, value) / self.share(against, name, value), name, value)
            for name, value in seen.items() if name in self._together
        ]  # fmt: skip
        odds = [one for one in odds if one[0] > 1.5]
        return [(name, value, times) for times, name, value in sorted(odds, key=lambda one: (-one[0], one[1]))[:most]]

    # ---- what to do next

    def next_checks(self, seen: dict[str, str], ranked: dict[str, float], most: int = 3) -> list[Check]:
        """Looks not yet taken, and cards to confirm by hand; the most bits a minute first."""
        taken = frozenset(name.partition(".")[0] for name in seen)
        likely = {card: p for card, p in ranked.items() if p >= 0.005}
        asked = (taken, *likely.items())
        if asked not in self._asked:  # paths to many cards begin alike
            self._asked[asked] = self._checks(taken, likely)
        return self._asked[asked][:most]

    def _checks(self, taken: frozenset[str], likely: dict[str, float]) -> list[Check]:
        told = self._telling(likely)
        checks = [
            Check(look.says, look.minutes, max((told(name) for name in self.names if name.startswith(look.name + ".")), default=0))
            for look in LOOKS.values() if look.name not in taken
        ]  # fmt: skip
        known = load_cards()
        for card, p in likely.items():
            if card in known:
                checks.append(Check(f"{card}: {known[card].confirm}", known[card].minutes, _entropy((p, 1 - p))))
        return sorted((check for check in checks if check.bits > 0.01), key=lambda check: (-check.pace, check.says))

    def _telling(self, likely: dict[str, float]) -> Callable[[str], float]:
        """Bits that an observable is expected to tell about the hypotheses: what is open now less what will be."""
        total = sum(likely.values())
        p = [likely.get(card, 0.0) / total for card in self.cards]
        p_log = [one * math.log(one) if one else 0.0 for one in p]
        now = -sum(p_log)

        def told(name: str) -> float:
            nats = now
            for value in self._together[name]:
                column = self.column(name, value)
                # of each value: its probability here, and sum of j log j over the joint probabilities j = p * share
                here = sum(map(mul, p, column.shares))
                nats += sum(map(mul, p, column.share_logs)) + sum(map(mul, p_log, column.shares)) - here * math.log(here)
            return max(nats / math.log(2), 0.0)

        return told


def _log_mean(logs: list[float]) -> float:
    """Logarithm of the mean of what these are the logarithms of."""
    most = max(logs)
    return most + math.log(sum(math.exp(one - most) for one in logs) / len(logs))


def _entropy(shares: Iterable[float]) -> float:
    return -sum(p * math.log2(p) for p in shares if p > 0)


def model_of(dictionary: Dictionary) -> Model:
    """Ready for asking."""
    return Model(dictionary.runs, dictionary.seen, dictionary.strength, dictionary.least, dictionary.kinds)


class Tuned(NamedTuple):
    """What runs that were kept back tell of how much evidence counts."""

    strength: float
    least: dict[str, float]


class Kept(NamedTuple):
    """A run that was kept back, and the model that does not know it."""

    card: str
    model: Model
    scores: Scores
    best: float  # of the card's own ways, for each piece


def tuned(results: list[Result]) -> Tuned:
    """Strength and least scores, each run looked at by a model that was made without its seed.

    The strength is the one with the least logarithmic score: of the right card where there is one, and, as often as
    `PRIOR` expects it, of "none of these" where the right card was taken out.
    """
    kept: list[Kept] = []
    for fold in range(FOLDS):
        others = [result for result in results if result.job.seed % FOLDS != fold]
        model = Model(*counted(others), 1, kinds=by_seat(others))
        if len(model.runs) > 1:
            kept += [
                _kept(model, result) for result in results if result.job.seed % FOLDS == fold and result.job.cards in model.runs
            ]
    own: defaultdict[str, list[float]] = defaultdict(list)
    for one in kept:
        own[one.card].append(one.best)
    least = {card: min(scores) for card, scores in own.items()}
    some = kept[:: len(kept) // ENOUGH + 1]
    rests = [_least_of_others(own[one.card], one.best) for one in some]
    found = min(STRENGTHS, key=lambda strength: (_lost(some, rests, least, strength), strength)) if some else STRENGTHS[3]
    return Tuned(found, least)


def _kept(model: Model, result: Result) -> Kept:
    card, scores = result.job.cards, model.scores(result.values)
    best = max(score for (one, _), score in zip(model.ways, scores.own, strict=True) if one == card)
    return Kept(card, model, scores, best / max(scores.pieces, 1))


def _least_of_others(scores: list[float], mine: float) -> float:
    """Of a card's runs without this one."""
    others = list(scores)
    others.remove(mine)
    return min(others, default=-math.inf)


def _lost(kept: list[Kept], rests: list[float], least: dict[str, float], strength: float) -> float:
    """Logarithmic score."""
    lost, unknown = 0.0, PRIOR[NONE_OF_THESE] / (1 - PRIOR[NONE_OF_THESE])
    for (card, model, scores, _), rest in zip(kept, rests, strict=True):
        model.least = least | {card: rest}
        lost -= math.log(max(model.weighed(scores, strength)[card], TINY))
        if card != HEALTHY:
            lost -= unknown * math.log(max(model.weighed(scores, strength, card)[NONE_OF_THESE], TINY))
    return lost
