"""Dictionary and diagnosis, against figures by hand."""

import json
import math
from dataclasses import replace

import pytest

from benchsim.sweeps.diagnose import NONE_OF_THESE, Model, Scores, tuned
from benchsim.sweeps.dictionary import NOT_SEEN, Dictionary, by_seat, counted
from benchsim.sweeps.measured import calibration, measure
from benchsim.sweeps.work import HEALTHY, Job, Result


def _result(card, seed, **seen):
    return Result(Job(card, seed), "[]", json.dumps({name.replace("_", "."): value for name, value in seen.items()}))


def _dictionary():
    """Two cards and a healthy bench, ten visits each: coin-jam shows coins none in all, tubes-empty in five."""
    results = [
        *(_result(HEALTHY, s, sale_coins="all", kit_silent="none") for s in range(10)),
        *(_result("coin-jam", s, sale_coins="none", kit_silent="none") for s in range(10)),
        *(_result("tubes-empty", s, sale_coins="none" if s < 5 else "all", kit_silent="none") for s in range(10)),
    ]
    return Dictionary({}, *counted(results), 4), results


def test_shares_distances_groups():
    made, _ = _dictionary()
    assert made.cards == [HEALTHY, "coin-jam", "tubes-empty"]
    assert made.shares("tubes-empty", "sale.coins") == {"none": 0.5, "all": 0.5}
    assert made.distance("coin-jam", HEALTHY) == (1.0, "sale.coins")
    assert made.distance("coin-jam", "tubes-empty") == (0.5, "sale.coins")
    assert made.distance("coin-jam", HEALTHY, ("kit",)) == (0.0, "")
    assert made.groups() == []  # 0.5 is not alike any more
    assert made.shares("coin-jam", "panel.held") == {NOT_SEEN: 1.0}


def test_cards_that_show_the_same_are_a_group_and_split_by_hand():
    results = [_result(card, s, sale_fell="more") for card in ("delivery-blind", "delivery-blocked") for s in range(4)]
    results += [_result(HEALTHY, s, sale_fell="as told") for s in range(4)]
    made = Dictionary({}, *counted(results), 4)
    assert made.groups() == [["delivery-blocked", "delivery-blind"]]
    split = made.split("delivery-blind", "delivery-blocked")
    assert split["by"] == "delivery-blocked" and split["minutes"] == 2  # the card that is confirmed sooner


def test_bayes_by_hand():
    """Shares of "none": pooled over three cards (0 + 1 + 0.5) / 4; coin-jam (10 + s) / 11, tubes-empty (5 + s) / 11. What
    is unknown is as all together, or near any of the three and otherwise in one of twenty: both alike.
    """
    made, _ = _dictionary()
    model = Model(made.runs, made.seen, 4)
    pooled = 1.5 / 4
    assert model.share("coin-jam", "sale.coins", "none") == pytest.approx((10 + pooled) / 11)
    assert model.share(HEALTHY, "sale.coins", "none") == pytest.approx(pooled / 11)
    assert model.share(NONE_OF_THESE, "sale.coins", "none") == pytest.approx(pooled)
    prior = {HEALTHY: 0.1, NONE_OF_THESE: 0.05, "coin-jam": 0.425, "tubes-empty": 0.425}
    likely = {HEALTHY: pooled / 11, "coin-jam": (10 + pooled) / 11, "tubes-empty": (5 + pooled) / 11}
    likely[NONE_OF_THESE] = (pooled + sum(0.95 * share + 0.05 * pooled for share in likely.values()) / 3) / 2
    whole = sum(prior[card] * likely[card] for card in prior)
    told = model.probabilities({"sale.coins": "none"})
    assert told == pytest.approx({card: prior[card] * likely[card] / whole for card in prior})
    assert list(told)[0] == "coin-jam"


def test_much_evidence_counts_as_no_more_than_its_strength():
    made, _ = _dictionary()
    model = Model(made.runs, made.seen, 2)
    scores = model.scores({"sale.coins": "none"})
    once, eight = (model.weighed(scores._replace(pieces=pieces), 2) for pieces in (2, 8))
    ratio = math.log(once["coin-jam"] / once[HEALTHY]) - math.log(0.425 / 0.1)
    assert math.log(eight["coin-jam"] / eight[HEALTHY]) - math.log(0.425 / 0.1) == pytest.approx(ratio / 4)


def test_what_nobody_ever_saw_speaks_for_none_of_these():
    made, _ = _dictionary()
    told = Model(made.runs, made.seen, 4).probabilities({"sale.coins": "melted", "kit.silent": "all"})
    assert list(told)[0] == NONE_OF_THESE


def test_something_near_a_card_and_yet_unlike_it_is_none_of_these():
    """Forty observables, always alike with both cards and the bench; eight of them show what only the other card does."""
    results = [
        _result(card, seed, **{f"kit_x{n}": value for n in range(40)})
        for card, value in ((HEALTHY, "c"), ("coin-jam", "a"), ("tubes-empty", "b")) for seed in range(50)
    ]  # fmt: skip
    model = Model(*counted(results), 40)
    plain, odd = ({f"kit.x{n}": "b" if n < wrong else "a" for n in range(40)} for wrong in (0, 8))
    assert list(model.probabilities(plain))[0] == "coin-jam"
    assert list(model.probabilities(odd))[0] == NONE_OF_THESE
    # as if the card were not known
    ranked = model.weighed(model.scores(plain), 40, "coin-jam")
    assert "coin-jam" not in ranked and sum(ranked.values()) == pytest.approx(1)


def test_the_next_check_is_the_one_that_splits():
    made, _ = _dictionary()
    model = Model(made.runs, made.seen, 4)
    seen = {"kit.silent": "none"}
    checks = model.next_checks(seen, model.probabilities(seen))
    assert checks[0].says.startswith("tubes-empty") or checks[0].says.startswith("test sales")
    assert all(check.minutes > 0 and 0 < check.bits <= 2 for check in checks)
    assert [c.pace for c in checks] == sorted((c.pace for c in checks), reverse=True)


def test_calibration_bins():
    rows = calibration([(0.25, True), (0.25, False), (0.22, False), (0.95, True), (0.0001, True)])
    assert rows == [
        {"from": 0.2, "to": 0.3, "claims": 3, "said": 0.24, "true": 0.3333},
        {"from": 0.9, "to": 1.0, "claims": 1, "said": 0.95, "true": 1.0},
    ]


def test_measures():
    made, results = _dictionary()
    model = Model(made.runs, made.seen, 4)
    pair = _result("coin-jam+tubes-empty", 11, sale_coins="none", kit_silent="none")
    found = measure(model, [*results, pair], [])
    assert found["cards"]["visits"] == 20 and found["healthy"]["visits"] == 10 and found["pairs"]["visits"] == 1
    # coin-jam: always right; tubes-empty: never first, for "none" speaks more for coin-jam; "all" it shares with healthy
    assert 0.5 <= found["cards"]["right_first"] <= 0.75
    assert found["pairs"]["one_of_them_first"] == 1.0
    assert found["pairs"]["confident_and_wrong"] == 0.0


def test_strength_of_evidence_that_is_one_thing_said_forty_times():
    """Half of a card's visits look like the other card, in all of forty observables alike: 40 pieces are one."""
    results = []
    for seed in range(40):
        for card, mostly, other in (("coin-jam", "a", "b"), ("tubes-empty", "b", "a")):
            value = mostly if seed // 4 % 4 else other
            results.append(_result(card, seed, **{f"kit_x{n}": value for n in range(40)}))
        results.append(_result(HEALTHY, seed, **{f"kit_x{n}": "c" for n in range(40)}))
    found = tuned(results)
    assert found.strength <= 4 and set(found.least) == {HEALTHY, "coin-jam", "tubes-empty"}


def test_a_visit_unlike_any_of_a_card_speaks_against_it_once_more():
    made, _ = _dictionary()
    least = {"coin-jam": -0.1}
    plain, strict = Model(made.runs, made.seen, 4), Model(made.runs, made.seen, 4, least)
    scores = Scores([-3.0, -2.0, -3.0], [-3.0] * 3, -3.0, 2)
    # two pieces: -2.0 is 1.8 below twice -0.1, so coin-jam is scored -3.8
    changed = scores._replace(own=[-3.0, -3.8, -3.0])
    assert strict.weighed(scores, 4) == pytest.approx(plain.weighed(changed, 4))
    part = scores._replace(pieces=0)
    assert strict.weighed(part, 4) == plain.weighed(part, 4)  # not a whole visit


def test_a_card_of_several_devices_is_looked_at_for_each():
    """Half of its visits show a, b, the others b, a, as the device is; a, a is neither."""
    results = [_result(HEALTHY, s, kit_x="c", kit_y="c") for s in range(20)]
    for seat, x, y in (("changer", "a", "b"), ("validator", "b", "a")):
        chosen = json.dumps([{"card": "device-transmit-open", "seat": seat}])
        results += [replace(_result("device-transmit-open", s, kit_x=x, kit_y=y), chosen=chosen) for s in range(20)]
    runs, seen = counted(results)
    kinds = by_seat(results)
    assert kinds["device-transmit-open"]["changer"] == {"kit.x": {"a": 20}, "kit.y": {"b": 20}}
    blind, model = Model(runs, seen, 2), Model(runs, seen, 2, kinds=kinds)
    right, odd = ({"kit.x": "a", "kit.y": y} for y in "ba")
    assert blind.probabilities(right) == pytest.approx(blind.probabilities(odd))
    ratio = [model.probabilities(one)["device-transmit-open"] for one in (right, odd)]
    assert ratio[0] > 0.97 > 0.9 > ratio[1], ratio


def test_a_card_shows_if_each_of_its_devices_does():
    """Of the changer's visits all differ in x, of the reader's all in y: half of all in each."""
    results = [_result(HEALTHY, s, kit_x="c", kit_y="c") for s in range(10)]
    for seat, x, y in (("changer", "a", "c"), ("cashless1", "c", "a")):
        chosen = json.dumps([{"card": "device-transmit-open", "seat": seat}])
        results += [replace(_result("device-transmit-open", s, kit_x=x, kit_y=y), chosen=chosen) for s in range(10)]
    made = Dictionary({}, *counted(results), 2, kinds=by_seat(results))
    assert made.distance("device-transmit-open", HEALTHY)[0] == 0.5 and made.shows("device-transmit-open")
    dull = json.dumps([{"card": "device-transmit-open", "seat": "validator"}])
    results += [replace(_result("device-transmit-open", s, kit_x="c", kit_y="c"), chosen=dull) for s in range(10)]
    assert not Dictionary({}, *counted(results), 2, kinds=by_seat(results)).shows("device-transmit-open")
