"""Programs that misbehave at a live bench, for a few seconds of the minute that `scripts/hostile.py` takes."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("hostile", Path(__file__).parents[2] / "scripts" / "hostile.py")
hostile = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(hostile)

MOST = 150  # megabytes: twice what a quiet bench takes


@pytest.mark.parametrize(
    ("kind", "seconds", "rule"),
    [
        ("rubbish", 3, "KIT-FRAME host"),
        ("unread", 2, "KIT-RELINK host"),
        ("flood-bus", 3, "BUS-MUTE changer"),
    ],
)
def test_memory_is_bounded_and_it_is_caught(kind, seconds, rule):
    found = hostile.played(kind, seconds)
    assert found["most_mb"] < MOST
    assert found["verdicts"].get(rule) == "fail" and found["status"] == 1
    assert {name.split()[1] for name in found["verdicts"]} == {rule.split()[1]}


def test_a_program_that_is_stopped_for_a_while_ends_nothing():
    """It is late by two seconds: a busy machine may be unsure whose lateness it was."""
    found = hostile.played("stopped", 5)
    assert found["status"] in (1, 3) and found["most_mb"] < MOST
    assert set(found["verdicts"].values()) <= {"fail", "unsure"}
