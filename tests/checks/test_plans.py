"""The plans played in virtual time: good seats pass, wrong ones are caught, same seed same bytes."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchsim.captures import open_capture
from benchsim.checks import plans
from benchsim.checks.recorded import judge_capture
from benchsim.checks.result import make_record
from benchsim.checks.runner import play_virtual
from benchsim.checks.selftest import run_selftest
from benchsim.checks.capture import write_capture
from benchsim.judge import all_rules
from benchsim.reports import write_json
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()
ALL = plans.plan_for(None)


@pytest.mark.parametrize(("plan", "case"), ALL, ids=[f"{plan.seat}-{case.name}" for plan, case in ALL])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_rule_fails_on_the_good_seats(plan, case, seed):
    result = play_virtual(Settings(), BOOK, plan, case, seed)
    assert not result.notes
    assert [(v.rule, v.judged, v.at) for v in result.verdicts if v.outcome in ("fail", "unsure", "warn")] == []
    assert any(v.outcome == "pass" for v in result.verdicts)


@pytest.mark.parametrize("seat", plans.PLANS)
def test_every_wrong_variant_is_caught_and_no_legal_one_accused(seat):
    wrong, legal = run_selftest(Settings(), 1, workers=1, seats=(seat,))
    assert len(wrong) + len(legal) == len(plans.PLANS[seat].variants)
    assert [row["variant"] for row in wrong if not row["caught"]] == []
    assert [(row["variant"], row["failed"]) for row in legal if row["failed"]] == []


def test_every_rule_is_provoked_by_a_wrong_variant():
    """Rules of the commissioning are: its steps take a quarter of an hour and are tried in test_handover alone."""
    provoked = {variant.rule for plan in plans.PLANS.values() for variant in plan.variants}
    commissioning = {"SYS-HANDOVER", "SYS-PRICES", "SYS-SETPOINT", "SYS-SURVEY"}
    assert {rule.id for rule in all_rules()} - provoked == commissioning


def test_every_kit_rule_of_the_host_is_put_to_the_test_somewhere():
    tested = set()
    for plan, case in plans.plan_for("host"):
        result = play_virtual(Settings(), BOOK, plan, case, 1)
        tested |= {v.rule for v in result.verdicts if v.outcome == "pass"}
    wanted = {
        "KIT-FRAME", "KIT-GAP", "KIT-POLL-RATE", "KIT-WAIT", "KIT-RETRY", "KIT-SEQ", "KIT-RELINK", "KIT-START",
        "KIT-BAD-INERT", "KIT-PRICE-WHOLE", "KIT-SALE-STATE", "KIT-LOCKOUT", "KIT-SHAPE", "PNL-STUCK", "SYS-PRESENT",
    }  # fmt: skip
    assert wanted <= tested


def _written(folder: Path, seed: int = 5):
    cases = plans.pick(plans.plan_for("host"), ["answer-lost", "sale-coin"])
    results = [play_virtual(Settings(), BOOK, plan, case, seed) for plan, case in cases]
    write_capture(folder / "capture.pcapng", results)
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
    again = judge_capture(open_capture(tmp_path / "capture.pcapng"), BOOK)
    for before, after in zip(live, again, strict=True):
        assert [v.as_json() for v in after.verdicts] == [v.as_json() for v in before.verdicts]
