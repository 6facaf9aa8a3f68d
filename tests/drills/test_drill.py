"""Drills over a dictionary made by hand: what a step tells, the best path, the score."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.drills.drill import (
    HURT,
    PART_MINUTES,
    PLUG_MINUTES,
    SAFE_MINUTES,
    WASTED,
    Drill,
    Step,
    parts,
    plugs,
)
from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.faults.cures import load_cures
from benchsim.sweeps.diagnose import Model
from benchsim.sweeps.observables import LOOKS

RUNS = {"healthy": 100, "changer-unplugged": 100, "validator-unplugged": 100, "coil-jammed": 100}
SEEN = {  # one look on the device list tells changer from validator; only a sale shows the coil
    "healthy": {"device.changer": {"ready": 100}, "device.validator": {"ready": 100}, "sale.vends": {"all": 100}},
    "changer-unplugged": {"device.changer": {"lost": 100}, "device.validator": {"ready": 100}, "sale.vends": {"all": 50, "none": 50}},
    "validator-unplugged": {"device.changer": {"ready": 100}, "device.validator": {"lost": 100}, "sale.vends": {"all": 100}},
    "coil-jammed": {"device.changer": {"ready": 100}, "device.validator": {"ready": 100}, "sale.vends": {"none": 100}},
}
HEALTHY_SEEN = {name: next(iter(values)) for name, values in SEEN["healthy"].items()}
MODEL = Model(RUNS, SEEN, strength=100)


def drill(hidden, budget=60.0, alike=()):
    seen = {name: max(values, key=values.get) for name, values in SEEN[hidden].items()}
    return Drill(MODEL, lambda left: seen if left else HEALTHY_SEEN, (hidden,), budget, alike)


def test_a_look_shows_only_what_is_its_own_and_costs_its_minutes():
    one = drill("changer-unplugged")
    told = one.take(Step("look", "device"))
    assert told.lines == ["changer: lost", "validator: ready"] and told.minutes == LOOKS["device"].minutes
    assert one.minutes == told.minutes and told.bits > 1


def test_a_look_that_shows_nothing_says_so():
    assert drill("changer-unplugged").take(Step("look", "survey")).lines == ["nothing to be seen"]


@pytest.mark.parametrize("hidden, steps", [
    ("changer-unplugged", [("look", "device"), ("name", "changer-unplugged")]),
    ("validator-unplugged", [("look", "device"), ("name", "validator-unplugged")]),
])  # fmt: skip
def test_the_best_path_by_hand(hidden, steps):
    # One minute at the device list splits three ways; nothing else tells so much a minute.
    assert [(t.step.kind, t.step.what) for t in drill(hidden).best_path()] == steps


def test_the_coil_is_found_too():
    steps = [(t.step.kind, t.step.what) for t in drill("coil-jammed").best_path()]
    assert steps[0] == ("look", "device") and steps[-1] == ("name", "coil-jammed")


def test_a_hand_tells_for_sure():
    one = drill("changer-unplugged")
    assert one.take(Step("confirm", "validator-unplugged")).lines[0].startswith("It is not so: ")
    assert "validator-unplugged" not in one.probabilities()
    assert one.take(Step("confirm", "changer-unplugged")).lines[0].startswith("It is so: ")
    assert next(iter(one.probabilities())) == "changer-unplugged" and one.probabilities()["changer-unplugged"] > 0.99


def scored(hidden, *steps, **more):
    one = drill(hidden, **more)
    for step in steps:
        one.take(Step(*step))
    return one.score()


def test_all_points_for_the_best_path_and_half_at_least_for_the_right_card():
    best = scored("changer-unplugged", ("look", "device"), ("name", "changer-unplugged"))
    assert (best.points, best.right, best.minutes, best.best_minutes) == (100, True, 1, 1)
    # 1 of 1 + 4 + 2 (made safe) minutes: 50 + 50 / 7 points
    slow = scored("changer-unplugged", ("look", "device"), ("look", "sale"), ("name", "changer-unplugged"))
    assert slow.minutes == 1 + 4 + SAFE_MINUTES and slow.points == round(50 + 50 / 7)


def test_no_points_for_another_card_and_half_for_one_that_looks_alike():
    assert scored("changer-unplugged", ("look", "device"), ("name", "coil-jammed")).points == 0
    alike = scored("changer-unplugged", ("look", "device"), ("name", "coil-jammed"), alike=[("changer-unplugged", "coil-jammed")])
    assert alike.alike and not alike.right and alike.points == 50


def test_waste_and_hurt_cost_points():
    steps = (("look", "device"), ("change", "the coin changer", False), ("name", "changer-unplugged"))
    score = scored("changer-unplugged", *steps)
    pace = 1 / (1 + PART_MINUTES)
    assert score.wasted == ["the coin changer"] and score.hurts == ["change the coin changer"]
    assert score.points == max(0, round(100 * (0.5 + 0.5 * pace)) - WASTED - HURT)


def test_what_would_hurt_is_said_before():
    one = drill("changer-unplugged")
    assert any("34 V" in text for text in one.hurts(Step("confirm", "changer-unplugged")))
    assert any("Coils turn" in text for text in one.hurts(Step("look", "sale")))
    assert one.hurts(Step("look", "screen")) == [] and one.hurts(Step("name", "coil-jammed")) == []


def test_it_is_over_when_named_and_when_the_time_is():
    one = drill("changer-unplugged", budget=1.0)
    one.take(Step("look", "device"))
    assert one.over and one.score().points == 0
    with pytest.raises(UsageError, match="it is over"):
        one.take(Step("look", "sale"))


@pytest.mark.parametrize("step, told", [
    (("look", "sky"), "look sky: expected one of screen, lights, sale"),
    (("confirm", "gremlins"), "gremlins: expected a card"),
    (("change", "the weather"), "change the weather: expected one of "),
    (("reseat", "the moon"), "reseat the moon: expected one of "),
    (("sing", "a song"), "sing: expected one of look, confirm, reseat, change, name"),
])  # fmt: skip
def test_wrong_steps_are_told_in_a_line(step, told):
    one = drill("changer-unplugged")
    with pytest.raises(UsageError, match=told):
        one.take(Step(*step))
    assert one.told == []


def test_a_plug_that_was_off_is_cured_by_seating_it_and_by_nothing_else():
    one = drill("changer-unplugged")
    one.take(Step("look", "device"))
    wrong = one.take(Step("reseat", "the plug behind the bill validator"))
    assert wrong.cured == () and one.take(Step("look", "device")).lines[0] == "changer: lost"
    right = one.take(Step("reseat", "the plug behind the coin changer"))
    assert right.cured == ("changer-unplugged",) and right.minutes == PLUG_MINUTES + SAFE_MINUTES
    assert right.lines == ["the plug behind the coin changer: pulled and seated again. Look whether it helped."]
    assert one.take(Step("look", "device")).lines[0] == "changer: ready"
    assert one.take(Step("confirm", "changer-unplugged")).lines[0].startswith("It is not so")
    one.take(Step("name", "changer-unplugged"))
    assert one.score().right


def test_a_part_that_cures_is_no_waste_unless_something_cheaper_would():
    motor = scored("coil-jammed", ("change", "the coil motor"), ("name", "coil-jammed"))
    assert motor.wasted == []  # "free it, else another motor"
    dear = drill("changer-unplugged")
    assert dear.take(Step("change", "the coin changer")).cured == ("changer-unplugged",)  # its plug is in now
    dear.take(Step("name", "changer-unplugged"))
    assert dear.score().wasted == ["the coin changer"]


def test_a_device_that_is_changed_cures_what_befell_it_and_not_another():
    for seat, cured in (("validator", ("device-clock-slow",)), ("changer", ())):
        one = Drill(MODEL, lambda left: {}, ("device-clock-slow",), 60.0, chosen={"device-clock-slow": {"seat": seat}})
        assert one.take(Step("change", "the bill validator")).cured == cured
    usual = Drill(MODEL, lambda left: {}, ("device-clock-slow",), 60.0)
    assert usual.take(Step("change", "the coin changer")).cured == ("device-clock-slow",)  # the card's default


BOTH = {"device.changer": "lost", "device.validator": "lost", "sale.vends": "none"}


def both(budget=60.0):
    """Two devices unplugged; what is left shows as it would alone."""

    def visit(left):
        alone = [{name: max(values, key=values.get) for name, values in SEEN[card].items()} for card in left]
        return BOTH if len(left) == 2 else alone[0] if left else HEALTHY_SEEN

    return Drill(MODEL, visit, ("changer-unplugged", "validator-unplugged"), budget)


def test_of_two_both_are_to_be_named_and_the_first_is_mended():
    one = both()
    one.take(Step("look", "device"))
    first = one.take(Step("name", "changer-unplugged"))
    assert not one.over and "look again" in first.lines[0]
    assert one.take(Step("look", "device")).lines == ["changer: ready", "validator: lost"]
    with pytest.raises(UsageError, match="named already"):
        one.take(Step("name", "changer-unplugged"))
    one.take(Step("name", "validator-unplugged"))
    assert one.over and one.score().right
    assert [(t.step.kind, t.step.what) for t in one.best_path()][-1][0] == "name"
    assert {t.step.what for t in one.best_path() if t.step.kind == "name"} == set(one.hidden)


def test_one_of_two_is_half_and_says_no_more_than_two_wrong_ones_would():
    one, other = both(), both()
    told = [each.take(Step("name", card)).lines[0] for each, card in ((one, "changer-unplugged"), (other, "coil-jammed"))]
    assert [text.partition(", and mended")[2].rpartition(": ")[2] for text in told] == ["look again."] * 2
    for each in (one, other):
        each.take(Step("look", "device"))
        each.take(Step("name", "bus-unplugged"))
    pace = min(1, one.score().best_minutes / one.minutes)
    assert one.score().points == round(100 * 0.5 * (0.5 + 0.5 * pace)) and not one.score().right
    assert other.score().points == 0


def test_every_plug_and_part_cures_a_card():
    cures = load_cures()
    assert all(cure.cards for kind in cures.values() for cure in kind.values())
    assert {card for cure in cures["plugs"].values() for card, _ in cure.cards} > {
        card for card in load_cards() if card.endswith("-unplugged")
    }


def test_where_a_path_left_the_best_one():
    one = drill("changer-unplugged")
    for step in (("look", "sale"), ("name", "changer-unplugged")):
        one.take(Step(*step))
    assert one.left_best() == (0, Step("look", "device"))
    best = drill("changer-unplugged")
    best.take(Step("look", "device"))
    best.take(Step("name", "changer-unplugged"))
    assert best.left_best() is None


STEPS = st.one_of(
    st.tuples(st.just("look"), st.sampled_from(sorted(LOOKS)), st.booleans()),
    st.tuples(st.just("confirm"), st.sampled_from(sorted(RUNS)[:2] + ["coil-jammed"]), st.booleans()),
    st.tuples(st.just("change"), st.sampled_from(["the coin changer", "the control board"]), st.booleans()),
    st.tuples(st.just("reseat"), st.sampled_from(["the plug behind the coin changer", "the cash box"]), st.booleans()),
    st.tuples(st.just("name"), st.sampled_from(["coil-jammed", "changer-unplugged"]), st.booleans()),
)


@given(st.sampled_from(sorted(set(RUNS) - {"healthy"})), st.lists(STEPS, max_size=12))
def test_any_path_has_a_score_in_range_and_plays_again_alike(hidden, steps):
    first, again = drill(hidden, math.inf), drill(hidden, math.inf)
    for one in (first, again):
        for step in steps:
            if not one.over and step[1] in {**LOOKS, **load_cards(), **dict.fromkeys(parts() + plugs())}:
                one.take(Step(*step))
    assert first.told == again.told and first.minutes == sum(t.minutes for t in first.told)
    score = first.score()
    assert 0 <= score.points <= 100 and score == again.score()
    assert math.isclose(sum(first.probabilities().values()), 1.0)
