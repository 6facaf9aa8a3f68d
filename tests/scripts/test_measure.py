"""scripts/measure: figures in, medians and ratios out; bad usage told in one line. No wall clock."""

import json
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path

import pytest

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
    [(["nonesuch"], "no benchmark 'nonesuch'; expected one of"), (["--runs", "0"], "--runs 0")],
)
def test_bad_usage_is_one_line_and_status_2(arguments, told):
    done = script(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert told in done.stderr and len(done.stderr.splitlines()) == 1


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
