"""A dictionary as a file: what was saved is read again, anything else is told in a line."""

import json

import pytest

from benchsim.errors import UsageError
from benchsim.sweeps.dictionary import Dictionary, load_dictionary
from benchsim.sweeps.work import HEALTHY

SEEN = {HEALTHY: {"sale.coins": {"all": 3}}, "coin-jam": {"sale.coins": {"none": 2}}}


def saved(folder):
    path = folder / "dictionary.json"
    Dictionary({"bench": "x"}, {HEALTHY: 3, "coin-jam": 2}, SEEN, 4, {"coin-jam": -0.5}).save(path)
    return path


def test_what_was_saved_is_read_again(tmp_path):
    found = load_dictionary(saved(tmp_path))
    assert (found.runs, found.seen, found.strength, found.least) == ({HEALTHY: 3, "coin-jam": 2}, SEEN, 4, {"coin-jam": -0.5})


def without_healthy(told):
    del told["cards"][HEALTHY]


def number_as_text(told):
    told["cards"]["coin-jam"]["seen"]["sale.coins"]["none"] = "2"


def no_run(told):
    told["cards"]["coin-jam"]["runs"] = 0


def no_strength(told):
    told["strength"] = "4"


def no_kinds(told):
    told["cards"]["coin-jam"]["kinds"] = {"changer": 1}


def no_card(told):
    told["cards"]["coin-jam"] = []


@pytest.mark.parametrize("spoil", [without_healthy, number_as_text, no_run, no_strength, no_kinds, no_card])
def test_what_is_no_dictionary_is_told_in_a_line(spoil, tmp_path):
    path = saved(tmp_path)
    told = json.loads(path.read_text())
    spoil(told)
    path.write_text(json.dumps(told))
    with pytest.raises(UsageError) as refused:
        load_dictionary(path)
    assert str(refused.value) == f"{path}: expected the dictionary of a sweep (dictionary.json)"
