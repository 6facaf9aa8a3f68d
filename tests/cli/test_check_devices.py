"""`benchsim check` with a payment device as a program of its own, over two bytes a word on a pseudo-terminal.

Times on a pseudo-terminal are good to some milliseconds: a busy machine may leave verdicts unsure, none may fail.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "fixtures" / "sample_devices"


def check(seat: str, program: str, *cases: str) -> tuple[int, dict]:
    command = f"{sys.executable} {SAMPLES}/{program}"
    chosen = [word for case in cases for word in ("--case", case)]
    done = subprocess.run(
        [sys.executable, "-m", "benchsim", "check", "--test", seat, "--exec", command, "--json", *chosen],
        cwd=ROOT, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode in (0, 1, 3), done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.mark.parametrize(
    ("seat", "program"),
    [("changer", "changer.py {bus}"), ("validator", "validator.py {bus}"), ("cashless1", "reader.py {bus}"),
     ("cashless2", "reader.py {bus} --address 60")],
)  # fmt: skip
def test_no_rule_accuses_a_sample_device(seat, program):
    status, document = check(seat, program, "ask-again", "wrong-sums")
    assert status in (0, 3)
    assert {v["judged"] for v in document["verdicts"]} == {seat}
    passed = {v["rule"] for v in document["verdicts"] if v["outcome"] == "pass"}
    assert {"BUS-REPEAT", "BUS-BAD-SUM-INERT", "BUS-SHAPE", "BUS-SUM-IN", "SYS-PRESENT"} <= passed


@pytest.mark.parametrize(
    ("fault", "seat", "rule", "case"),
    [
        ("nomode", "changer", "BUS-MODE-IN", "ask-again"),
        ("believesall", "changer", "BUS-BAD-SUM-INERT", "wrong-sums"),
        ("wrongsum", "validator", "BUS-SUM-IN", "ask-again"),
        ("neverreset", "validator", "BUS-JUST-RESET", "resets"),
        ("longwinded", "cashless1", "BUS-SHAPE", "polling"),
    ],
)
def test_a_documented_fault_is_named_with_its_frame(fault, seat, rule, case):
    status, document = check(seat, f"faulty.py {fault} {{bus}}", case)
    assert status == 1
    verdict = next(v for v in document["verdicts"] if v["rule"] == rule and v["outcome"] == "fail")
    assert verdict["judged"] == seat and verdict["at"][0]["frame"] > 0 and verdict["at"][0]["text"]


def test_cases_that_want_a_hand_are_left_out_with_the_reason():
    status, document = check("changer", "changer.py {bus}", "coin-to-tube")
    assert status == 3  # nothing was put to the test
    assert {v["outcome"] for v in document["verdicts"]} == {"unseen"}
    assert all("--hands" in v["why"] for v in document["verdicts"])
