"""scripts/measure: figures in, medians and ratios out; bad usage told in one line. No wall clock."""

import json
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path

import pytest

from benchsim.errors import UsageError
from benchsim.sweeps import shoppers
from benchsim.sweeps.days import Days

SCRIPT = Path(__file__).parents[2] / "scripts" / "measure"


@pytest.fixture(scope="module")
def measure():
    spec = spec_from_loader("measure_script", SourceFileLoader("measure_script", str(SCRIPT)))
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def toy(measure, figures):
    """A benchmark whose contenders return prepared figures, one per round."""
    contenders = {name: iter(all_).__next__ for name, all_ in figures.items()}
    return measure.Measure(
        "toy", "things", [("ours", "peer", 2.0), ("ours", "old", None)], lambda: contenders
    )


def test_a_ratio_is_the_median_of_the_ratios_within_rounds(measure):
    spec = toy(measure, {"ours": [100, 30, 80], "peer": [50, 10, 20], "old": [100, 10, 80]})
    result = measure.summary(spec, measure.figures(spec, 3))
    assert result["figures"][0] == {"name": "ours", "median": 80, "least": 30, "most": 100}
    assert [pair["ratio"] for pair in result["ratios"]] == [3, 1]  # of 2, 3, 4 and of 1, 3, 1
    assert result["runs"] == 3


def test_contenders_take_turns(measure):
    turns = []
    contenders = {name: lambda name=name: turns.append(name) or 1.0 for name in ("ours", "peer")}
    measure.figures(measure.Measure("toy", "things", [], lambda: contenders), 2)
    assert turns == ["ours", "peer", "ours", "peer"]


def test_of_times_the_lower_is_the_better(measure, capsys):
    spec = toy(measure, {"ours": [2], "peer": [6], "old": [1]})._replace(lower=True, most={"ours": 1.5, "old": 1.0})
    result = measure.summary(spec, measure.figures(spec, 1))
    assert [pair["ratio"] for pair in result["ratios"]] == [3, 0.5]
    measure.show("toy", result)
    shown = capsys.readouterr().out
    assert "wanted at most 1.5: ours  MISSED" in shown and "wanted at most 1: old  reached" in shown


def test_a_contender_may_give_several_figures(measure):
    contenders = {"ours": lambda: {"p50": 1.0, "p99": 3.0}, "peer": lambda: {"p50": 2.0, "p99": 4.0}}
    spec = measure.Measure("toy", "ms", [("ours, p99", "peer, p99", None)], lambda: contenders, lower=True)
    found = measure.figures(spec, 2)
    assert found == {
        "ours, p50": [1.0, 1.0], "ours, p99": [3.0, 3.0], "peer, p50": [2.0, 2.0], "peer, p99": [4.0, 4.0]
    }  # fmt: skip
    assert measure.summary(spec, found)["ratios"][0]["ratio"] == pytest.approx(4 / 3)


def test_a_length_that_can_be_chosen(measure):
    lengths = []
    spec = measure.Measure("toy", "ms", [], lambda seconds: lengths.append(seconds) or {"ours": lambda: 1.0}, seconds=9)
    measure.figures(spec, 1)
    measure.figures(spec, 1, 2.5)
    assert lengths == [9, 2.5]


def test_real_time_with_four_links(measure):
    """Figures of this computer as it is; only their form is looked at."""
    pytest.importorskip("tty")
    found = measure.figures(measure.MEASURES["real-time"], 1, 2.0)
    whose = ("ours", "a bare loop", "a thread with blocking pyserial per link")
    assert set(found) == {f"{who}, {part}" for who in whose for part in ("p50", "p99", "p99.9")}
    for who in whose:
        (half,), (most,) = found[f"{who}, p50"], found[f"{who}, p99.9"]
        assert 0 < half <= most


@pytest.mark.parametrize(("wanted", "word"), [(2.0, "reached"), (4.0, "MISSED")])
def test_what_was_wanted_is_told(measure, capsys, wanted, word):
    spec = toy(measure, {"ours": [30], "peer": [10], "old": [10]})
    spec = spec._replace(pairs=[("ours", "peer", wanted)])
    measure.show("toy", measure.summary(spec, measure.figures(spec, 1)))
    assert f"3.00 x  ours / peer  wanted {wanted:g}, {word}" in capsys.readouterr().out


def script(*arguments):
    return subprocess.run(
        [sys.executable, str(SCRIPT), *arguments], check=False, capture_output=True, text=True
    )


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nonesuch"], "no benchmark 'nonesuch'; expected one of"), (["--runs", "0"], "--runs 0"),
        (["real-time", "--seconds", "0"], "--seconds 0: expected 1 to 2678400"),
        (["shoppers", "--hours", "0"], "expected --hours of 1000000 at most"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(arguments, told):
    done = script(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert told in done.stderr and len(done.stderr.splitlines()) == 1


def test_shoppers_are_told_with_their_ledger(measure, capsys):
    assert measure.shoppers(0.4, 1)
    told = capsys.readouterr().out
    assert "shoppers: 0.4 hours" in told and "not passed: none" in told and "ledger of 1 days: closed to the cent" in told


def test_days_with_shoppers_are_not_played_twice(measure, monkeypatch, capsys, tmp_path):
    days, played = tmp_path / "days.jsonl", []
    monkeypatch.setattr(shoppers, "DAY", 0.125)
    real = shoppers.play
    monkeypatch.setattr(shoppers, "play", lambda day: played.append(day.seed) or real(day))
    assert measure.shoppers(0.25, 1, days) and played == [1, 2]
    days.write_text(days.read_text()[:-9])  # killed while the second was written
    assert measure.shoppers(0.375, 1, days) and played == [1, 2, 2, 3]
    assert "ledger of 3 days: closed to the cent" in capsys.readouterr().out
    first, *rest = days.read_text().splitlines()
    days.write_text("\n".join([first, rest[0].replace('"closed": true', '"closed": false'), *rest[1:], ""]))
    assert not measure.shoppers(0.375, 1, days)
    assert "ledger of 3 days: OPEN\n  seed 1: " in capsys.readouterr().out


@pytest.mark.parametrize(("text", "told"), [("{}\n", "line 1: expected a day"), ("1,2\n", "line 1: expected a day")])
def test_a_file_of_other_things_is_one_line(text, told, tmp_path):
    (tmp_path / "notes").write_text(text)
    done = script("shoppers", "--hours", "1", "--resume", str(tmp_path / "notes"))
    assert done.returncode == 2 and told in done.stderr and len(done.stderr.splitlines()) == 1


def test_days_of_another_program_are_refused(tmp_path):
    (tmp_path / "days").write_text('{"program": "0", "protocols": "0"}\n')
    with pytest.raises(UsageError, match="days of another program"):
        Days(tmp_path / "days")


def test_a_missing_peer_says_how_to_get_it(measure, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "simpy", None)  # makes `import simpy` fail
    monkeypatch.setattr(sys, "argv", ["measure", "clock"])
    with pytest.raises(SystemExit) as ended:
        measure.main()
    assert ended.value.code == 2
    assert "pip install benchsim[measure]" in capsys.readouterr().err


def test_json_alone_on_stdout(measure, monkeypatch, capsys):
    monkeypatch.setitem(measure.MEASURES, "toy", toy(measure, {"ours": [4], "peer": [2], "old": [1]}))
    monkeypatch.setattr(sys, "argv", ["measure", "toy", "--runs", "1", "--json"])
    measure.main()
    assert [pair["ratio"] for pair in json.loads(capsys.readouterr().out)["toy"]["ratios"]] == [2, 4]
