"""What a record says of the computer that it was measured on."""

from benchsim.checks.result import CaseResult, make_record
from benchsim.events import Happening


def test_stalls_of_the_benchs_own_computer_are_told():
    cases = [CaseResult(name, "", "host") for name in ("one", "two")]
    cases[0].events = [Happening(5, "bench", "late", {"us": 3_100}), Happening(9, "bench", "power", {})]
    cases[1].events = [Happening(7, "bench", "late", {"us": 31_240, "who": "host"})]
    about = make_record(cases, "host", 1, None, "").document["about"]
    assert about == {"stalls of this computer": "2, 31.2 ms at worst; no time across one is counted"}


def test_nothing_is_told_where_there_was_none():
    assert make_record([CaseResult("one", "", "host")], "host", 1, None, "").document["about"] == {}
