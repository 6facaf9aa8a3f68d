"""How good diagnoses are, on runs that the dictionary was not made from.

Right first, right among the first three; how often a probability comes true (calibration); false alarms on healthy
benches; and two questions without a right card: two faults at once, and a fault whose card the dictionary lacks.
"""

from collections.abc import Iterable

from benchsim.sweeps.diagnose import NONE_OF_THESE, SURE, Model
from benchsim.sweeps.work import HEALTHY, Result

CONFIDENT = 0.9  # a wrong answer above this is a confident one
BINS = 10


def measure(model: Model, results: Iterable[Result], groups: list[list[str]]) -> dict:
    """All figures, as plain values."""
    together = {card: set(group) for group in groups for card in group}
    single, healthy, pairs, unknown, claims = [], [], [], [], []
    for result in results:
        card = result.job.cards
        scores = model.scores(result.values)
        ranked = model.weighed(scores, model.strength)
        order = list(ranked)
        if "+" in card:
            pairs.append((ranked, set(card.split("+"))))
            continue
        if card not in model.runs:
            continue
        claims += [(p, one == card) for one, p in ranked.items()]
        if card == HEALTHY:
            healthy.append(ranked)
            continue
        single.append((order.index(card), order[0] in together.get(card, {card})))
        without = model.weighed(scores, model.strength, card)
        unknown.append((without, together.get(card, set()) - {card}))
    return {
        "cards": {
            "visits": len(single),
            "right_first": _share(rank == 0 for rank, _ in single),
            "right_in_three": _share(rank < 3 for rank, _ in single),
            "right_or_alike_first": _share(rank == 0 or alike for rank, alike in single),
        },
        "healthy": {"visits": len(healthy), "false_alarms": _share(_claims_a_fault(ranked) for ranked in healthy)},
        "pairs": {
            "visits": len(pairs),
            "one_of_them_first": _share(next(iter(ranked)) in both for ranked, both in pairs),
            "none_of_these_first": _share(next(iter(ranked)) == NONE_OF_THESE for ranked, _ in pairs),
            "confident_and_wrong": _share(_confident(ranked, both) for ranked, both in pairs),
        },
        "unknown": {
            "visits": len(unknown),
            "none_of_these_first": _share(next(iter(ranked)) == NONE_OF_THESE for ranked, _ in unknown),
            "confident_and_wrong": _share(_confident(ranked, alike) for ranked, alike in unknown),
        },
        "calibration": calibration(claims),
    }


def calibration(claims: list[tuple[float, bool]]) -> list[dict]:
    """Probabilities in bins: how often they came true. Those below 1 in 1000 are left out."""
    rows = []
    for number in range(BINS):
        low, high = number / BINS, (number + 1) / BINS
        here = [(p, true) for p, true in claims if p >= 0.001 and (low <= p < high or (p == 1 and number == BINS - 1))]
        if here:
            said = sum(p for p, _ in here) / len(here)
            rows.append({"from": low, "to": high, "claims": len(here), "said": round(said, 4), "true": _share(t for _, t in here)})
    return rows


def _share(hits: Iterable[bool]) -> float | None:
    hits = list(hits)
    return round(sum(hits) / len(hits), 4) if hits else None


def _claims_a_fault(ranked: dict[str, float]) -> bool:
    first = next(iter(ranked))
    return first not in (HEALTHY, NONE_OF_THESE) and ranked[first] >= SURE


def _confident(ranked: dict[str, float], right: set[str]) -> bool:
    first = next(iter(ranked))
    return ranked[first] >= CONFIDENT and first not in right and first != NONE_OF_THESE
