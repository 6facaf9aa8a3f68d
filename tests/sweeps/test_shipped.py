"""The dictionary that comes with the package still fits the program: names, cards, and what plain visits show."""

import pytest

from benchsim.cli import run as benchsim
from benchsim.faults import load_cards
from benchsim.settings import Settings
from benchsim.sweeps.diagnose import NONE_OF_THESE, SURE, model_of
from benchsim.sweeps.dictionary import load_dictionary, shipped
from benchsim.sweeps.observables import look_of
from benchsim.sweeps.work import HEALTHY, Job, work

MADE = load_dictionary(shipped())
MODEL = model_of(MADE)
UNUSED = 1000  # a seed that it was not made from


def test_it_knows_these_cards_and_was_measured():
    assert set(MADE.cards) <= {HEALTHY, *load_cards()}
    assert len(set(load_cards()) - set(MADE.cards)) <= 3, "cards were added: make it anew (benchsim sweep)"
    assert all(look_of(name) for name in MODEL.names)
    assert MADE.measured["cards"]["visits"] and MADE.measured["calibration"]


def test_every_card_shows_or_says_why_not():
    silent = [card for card in MADE.cards if card != HEALTHY and not MADE.shows(card)]
    assert [card for card in silent if not load_cards()[card].quiet] == []


@pytest.mark.parametrize(
    "cards", ["coin-jam", "door-switch-open", "tubes-empty", "rows-shorted", "audit-unplugged", "host-clock-wrong", "supply-sags"]
)
def test_a_plain_fault_is_among_the_first_three(cards):
    ranked = list(MODEL.probabilities(work(Settings(), Job(cards, UNUSED)).values))
    assert cards in ranked[:3]


def test_a_sound_machine_raises_no_alarm():
    for seed in (UNUSED, UNUSED + 1):
        ranked = MODEL.probabilities(work(Settings(), Job(HEALTHY, seed)).values)
        first = next(iter(ranked))
        assert first in (HEALTHY, NONE_OF_THESE) or ranked[first] < SURE


def test_a_card_page_tells_its_symptoms(capsys):
    assert benchsim(["faults", "coin-jam"]) == 0
    assert "simulated visits showed" in capsys.readouterr().out
    assert benchsim(["diagnose", "--seen", "sale.coins=none"]) == 0
