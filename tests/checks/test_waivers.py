"""Waivers: they let pass what they name, until their day, and fail the run when they have outlived their reason."""

from datetime import date

import pytest

from benchsim.checks.result import CaseResult, make_record
from benchsim.checks.waivers import load_waivers, waive, waiver_rows
from benchsim.errors import UsageError
from benchsim.judge import Place, Verdict

FILE = """
[[waiver]]
rule = "KIT-POLL-RATE"
seat = "host"
reason = "polls from its drawing loop"
until = 2026-06-30
"""
BEFORE, LAST, AFTER = date(2026, 6, 1), date(2026, 6, 30), date(2026, 7, 1)


def verdict(outcome: str, rule: str = "KIT-POLL-RATE", seat: str = "host", case: str = "polling") -> Verdict:
    broken = int(outcome == "fail")
    at = (Place(1.5, 7, "POLL seq 1"),)
    return Verdict(rule, seat, outcome, int(outcome != "unseen"), broken, None, None, None, None, "A", "", None, case, at)


def ran(tmp_path, today: date, *verdicts: Verdict, text: str = FILE):
    """Outcome of a run, its rows, and its verdicts."""
    (tmp_path / "w.toml").write_text(text)
    waivers = load_waivers(tmp_path / "w.toml")
    results = [CaseResult(v.case, "", "host", verdicts=[v]) for v in verdicts]
    for result in results:
        waive(waivers, result, today)
    rows = waiver_rows(waivers, results, today)
    document = make_record(results, "host", 1, None, "", waivers=rows).document
    return document["outcome"], [row["state"] for row in rows], document["verdicts"]


@pytest.mark.parametrize("today", [BEFORE, LAST])
def test_what_is_waived_does_not_fail_the_run(tmp_path, today):
    outcome, states, (told, other) = ran(tmp_path, today, verdict("fail"), verdict("pass", "KIT-SEQ"))
    assert (outcome, states) == ("pass", ["used"])
    assert (told["outcome"], told["why"]) == ("warn", "waived until 2026-06-30: polls from its drawing loop")
    assert other["outcome"] == "pass"


@pytest.mark.parametrize("outcome", ["fail", "pass", "unseen"])
def test_past_its_date_it_fails_the_run_whatever_came_out(tmp_path, outcome):
    found, states, (told, _) = ran(tmp_path, AFTER, verdict(outcome), verdict("pass", "KIT-SEQ"))
    assert (found, states) == ("fail", ["past its date"])
    assert told["outcome"] == outcome


def test_it_fails_the_run_once_its_rule_holds(tmp_path):
    outcome, states, _ = ran(tmp_path, BEFORE, verdict("pass"), verdict("unseen", case="other"))
    assert (outcome, states) == ("fail", ["no longer needed"])


def test_while_one_case_still_breaks_the_rule_it_is_needed(tmp_path):
    assert ran(tmp_path, BEFORE, verdict("pass"), verdict("fail", case="other"))[:2] == ("pass", ["used"])


@pytest.mark.parametrize("outcome", ["unseen", "unsure"])
def test_what_was_not_put_to_the_test_says_nothing_of_it(tmp_path, outcome):
    found, states, _ = ran(tmp_path, BEFORE, verdict(outcome), verdict("pass", "KIT-SEQ"))
    assert states == ["not put to the test"]
    assert found == ("unsure" if outcome == "unsure" else "pass")


@pytest.mark.parametrize(("rule", "seat", "case"), [("KIT-SEQ", "host", "polling"), ("KIT-POLL-RATE", "board", "polling"), ("KIT-POLL-RATE", "host", "other")])
def test_it_is_for_its_rule_seat_and_case_alone(tmp_path, rule, seat, case):
    text = FILE + 'case = "polling"\n'
    outcome, states, (told, _) = ran(tmp_path, BEFORE, verdict("fail", rule, seat, case), verdict("fail"), text=text)
    assert (outcome, states, told["outcome"]) == ("fail", ["used"], "fail")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[[waiver]]\nrule = 'KIT-SEQ'\n", "waiver 1: expected rule, seat, reason, until"),
        (FILE.replace("KIT-POLL-RATE", "NO-SUCH"), "no rule NO-SUCH"),
        (FILE.replace('"host"', '"nobody"'), "no seat nobody"),
        (FILE.replace("2026-06-30", '"tomorrow"'), "until: expected a date"),
        (FILE.replace("2026-06-30", "2026-06-30T10:00:00"), "until: expected a date"),
        (FILE.replace('"polls from its drawing loop"', '""'), "reason: expected a text"),
        (FILE + "since = 2026-01-01\n", "waiver 1: expected"),
        ("waiver = 3\n", "expected [[waiver]] entries"),
        ("x = 3\n", "expected [[waiver]] entries"),
    ],
)
def test_a_file_that_makes_no_sense_is_told(tmp_path, text, expected):
    (tmp_path / "w.toml").write_text(text)
    with pytest.raises(UsageError) as told:
        load_waivers(tmp_path / "w.toml")
    assert expected in str(told.value) and "w.toml" in str(told.value)
