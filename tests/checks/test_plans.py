"""The plans played in virtual time: good seats pass, wrong ones are caught, same seed same bytes."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchsim.captures import open_capture
from benchsim.checks import plans
from benchsim.checks.result import make_record
from benchsim.checks.runner import play_virtual
from benchsim.checks.variants import VARIANTS, run_selftest
from benchsim.cli.check import _write_capture
from benchsim.cli.judge import split_cases
from benchsim.reports import write_json
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()
ALL = plans.plan_for(None)


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("seed", [1, 2])
def test_no_rule_fails_on_the_good_seats(name, seed):
    result = play_virtual(Settings(), BOOK, ALL[name], seed, plans.subject_of(ALL[name], None))
    assert not result.notes
    assert [(v.rule, v.judged, v.places) for v in result.verdicts if v.outcome in ("fail", "unsure", "warn")] == []
    assert any(v.outcome == "pass" for v in result.verdicts)


def test_every_wrong_host_is_caught_by_its_rule():
    rows = run_selftest(Settings(), BOOK, 1)
    assert len(rows) == len(VARIANTS)
    assert [row["variant"] for row in rows if not row["caught"]] == []


def test_every_kit_rule_of_the_host_is_put_to_the_test_somewhere():
    tested = set()
    for case in plans.plan_for("host").values():
        result = play_virtual(Settings(), BOOK, case, 1, "host")
        tested |= {v.rule for v in result.verdicts if v.outcome == "pass"}
    wanted = {
        "KIT-FRAME", "KIT-GAP", "KIT-POLL-RATE", "KIT-WAIT", "KIT-RETRY", "KIT-SEQ", "KIT-RELINK", "KIT-START",
        "KIT-BAD-INERT", "KIT-PRICE-WHOLE", "KIT-SALE-STATE", "KIT-LOCKOUT", "KIT-SHAPE", "PNL-STUCK", "SYS-PRESENT",
    }  # fmt: skip
    assert wanted <= tested


def _written(folder: Path, seed: int = 5):
    cases = plans.pick(plans.plan_for("host"), ["answer-lost", "sale-coin"])
    results = [play_virtual(Settings(), BOOK, case, seed, "host") for case in cases]
    _write_capture(folder / "capture.pcapng", results)
    text = io.StringIO()
    write_json(make_record(results, "host", seed, None, ""), text)
    return results, (folder / "capture.pcapng").read_bytes(), text.getvalue()


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert _written(tmp_path / "a")[1:] == _written(tmp_path / "b")[1:]


def test_the_same_bytes_in_processes_that_hash_differently(tmp_path):
    for name, hashed in (("a", "1"), ("b", "77")):
        command = [sys.executable, "-m", "benchsim", "check", "--case", "demo", "--out", str(tmp_path / name)]
        subprocess.run(command, env=os.environ | {"PYTHONHASHSEED": hashed}, check=True, capture_output=True)
    for name in ("verdicts.json", "capture.pcapng", "junit.xml"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_a_capture_is_judged_again_as_it_was_live(tmp_path):
    live, _, _ = _written(tmp_path)
    again = split_cases(open_capture(tmp_path / "capture.pcapng"), BOOK)
    for before, after in zip(live, again, strict=True):
        assert [v.as_json() for v in after.verdicts] == [v.as_json() for v in before.verdicts]
