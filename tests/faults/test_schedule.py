"""When faults are there, as options and bench files say it."""

import pytest

from benchsim.cli import run as benchsim
from benchsim.errors import UsageError
from benchsim.faults import Fault, load_cards, parse_fault
from benchsim.settings import Settings, load_settings

CARDS = load_cards()


@pytest.mark.parametrize(
    ("text", "chosen", "at", "lasts"),
    [
        ("coin-jam", {}, 0, None),
        ("coin-jam@10", {}, 10, None),
        ("coin-jam@10+2.5", {}, 10, 2.5),
        ("coil-jammed:row=2,column=3@1", {"row": 2, "column": 3}, 1, None),
        ("device-clock-slow:seat=validator,percent=-3.5", {"seat": "validator", "percent": -3.5}, 0, None),
    ],
)
def test_words(text, chosen, at, lasts):
    fault = parse_fault(text, Settings())
    assert (fault.chosen, fault.at, fault.lasts) == (chosen, at, lasts)
    assert parse_fault(fault.text, Settings()) == fault


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("coil-jammed:row=two", "row: expected a whole number from 0 to 5, not 'two'"),
        ("device-clock-slow:seat=gateway", "seat: expected one of changer, validator, cashless1"),
        ("coin-jam@-1", "expected CARD, CARD@SECONDS"),
    ],
)
def test_bad_words(text, told):
    with pytest.raises(UsageError, match=told):
        parse_fault(text, Settings())


def test_a_device_that_does_not_stand_there():
    with pytest.raises(UsageError, match="no changer stands on this bench"):
        parse_fault("coin-jam", Settings(seats={"changer": {"fitted": False}}))


def test_moments():
    fault = Fault(CARDS["coin-jam"], {}, at=10, lasts=2, every=5, until=20)
    there = [second for second in range(30) if fault.there(second)]
    assert there == [10, 11, 15, 16]
    assert [s for s in range(14) if Fault(CARDS["coin-jam"], {}, at=10, lasts=2).there(s)] == [10, 11]


def test_a_bench_file_and_back(tmp_path):
    path = tmp_path / "bench.toml"
    faults = [
        Fault(CARDS["device-clock-slow"], {"seat": "validator", "percent": -3.5}, 10.0, 5.0, 30.0, 120.0),
        Fault(CARDS["coin-jam"], {}),
    ]
    path.write_text("".join(fault.as_toml() for fault in faults))
    assert load_settings(path).faults == faults


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('fault = 3', "fault: expected a list"),
        ("[[fault]]\nat = 1", "fault 1: expected a card"),
        ('[[fault]]\ncard = "coin-jam"\nwhen = 1', "unknown key when"),
        ('[[fault]]\ncard = "coin-jam"\nat = "noon"', "at: expected seconds, not 'noon'"),
        ('[[fault]]\ncard = "coin-jam"\nat = -1', "at: expected seconds from 0"),
        ('[[fault]]\ncard = "coin-jam"\nevery = 3', "every: expected for with it"),
        ('[[fault]]\ncard = "coin-jam"\nfor = 4\nevery = 3', "every: expected more than for = 4"),
        ('[[fault]]\ncard = "coin-jam"\nevery = 1e-9\nfor = 0', "every: expected 0.01 s or more"),
        ('[[fault]]\ncard = "coil-jammed"\nwith = { row = 9 }', "row: expected a whole number from 0 to 5, not 9"),
    ],
)
def test_bad_bench_files(tmp_path, text, told, capsys):
    path = tmp_path / "bench.toml"
    path.write_text(text)
    assert benchsim(["check", str(path), "--case", "polling"]) == 2
    said = capsys.readouterr().err
    assert told in said and str(path) in said and len(said.splitlines()) == 1
