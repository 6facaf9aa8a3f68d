"""Counting, guard bands, order, and time as the judge keeps it. Expected values are worked by hand."""

from types import SimpleNamespace

import pytest

from benchsim.events import TICKS_PER_MS, Burst, Happening, LinkInfo
from benchsim.judge import Judge, Moment, Tally
from benchsim.judge.registry import Rule
from benchsim.judge.verdict import rank
from benchsim.schema.limits import Limit

MS = TICKS_PER_MS


def limit(low=None, high=None, confidence="A"):
    return Limit("x", low and low * MS, high and high * MS, None, "ms", MS, "says", "a published source", confidence)


def a_rule(**more):
    told = {"id": "KIT-X", "judged": ("host",), "link": None, "limit": None, "source": "", "confidence": "A",
            "advice": False, "needs": None, "unseen": None, "make": lambda tally, judge: {}}  # fmt: skip
    return Rule(**{**told, **more})


def judged(values, of=None, doubt=0, **more):
    tally = Tally(a_rule(**more), of or limit(high=20), doubt)
    for value in values:
        tally.measure("host", round(value * MS), Moment(MS, "there"))
    return tally.verdict("host", "never", None)


@pytest.mark.parametrize(
    ("value", "doubt_ms", "outcome"),
    [
        (20, 0, "pass"),  # at its limit is legal
        (20.001, 0, "fail"),
        (19, 1, "pass"),  # inside by just the uncertainty
        (19.5, 1, "unsure"),
        (20, 1, "unsure"),
        (21, 1, "unsure"),  # beyond by no more than the uncertainty
        (21.001, 1, "fail"),
    ],
)
def test_guard_band(value, doubt_ms, outcome):
    """JCGM 106:2012 §8: no decision where the interval of uncertainty straddles the limit."""
    assert judged([value], doubt=doubt_ms * MS).outcome == outcome


@pytest.mark.parametrize(("value", "outcome"), [(39, "fail"), (40, "pass"), (100, "pass"), (101, "fail")])
def test_limit_with_two_sides(value, outcome):
    assert judged([value], of=limit(40, 100)).outcome == outcome


def test_worst_value_and_margin_are_those_nearest_the_limit():
    v = judged([60, 95, 43, 70], of=limit(40, 100))
    assert (v.worst, v.margin, v.checked, v.broken) == (43, 3, 4, 0)
    assert [p.text for p in v.at] == ["there"]


def test_a_broken_rule_of_doubtful_source_only_warns():
    assert judged([25], of=limit(high=20, confidence="C")).outcome == "warn"
    assert judged([25], advice=True).outcome == "warn"
    assert judged([15], advice=True).outcome == "pass"


def test_a_fail_outweighs_doubt_and_warning():
    tally = Tally(a_rule(), limit(high=20), MS)
    tally.measure("host", 20 * MS)
    tally.check("host", False, None, "soft", warn=True)
    tally.measure("host", 30 * MS)
    v = tally.verdict("host", "", None)
    assert (v.outcome, v.checked, v.broken) == ("fail", 3, 1)


def test_what_a_stall_fell_into_says_nothing_unless_there_is_no_other():
    stalls = iter([50 * MS, 0, 50 * MS])
    tally = Tally(a_rule(), limit(high=20), MS, lambda value: next(stalls))
    tally.measure("host", 30 * MS)  # 10 beyond the limit, doubted by 51
    assert tally.verdict("host", "", None).outcome == "unsure"
    tally.measure("host", 10 * MS)
    v = tally.verdict("host", "", None)
    assert (v.outcome, v.checked, v.worst) == ("pass", 1, 10)
    tally.measure("host", 72 * MS)  # beyond the limit by more than all doubt
    assert tally.verdict("host", "", None).outcome == "fail"


def test_untested_is_unseen_with_its_reason():
    tally = Tally(a_rule(), None, 0)
    tally.unseen("host", "the capture ended first")
    assert tally.verdict("host", "never", "a case").as_json()["why"] == "the capture ended first"
    assert tally.verdict("board", "never", None).why == "never"
    tally.check("host", True)
    v = tally.verdict("host", "never", None)
    assert (v.outcome, v.why) == ("pass", None)


def test_ten_places_are_kept():
    v = judged([30] * 25)
    assert (v.broken, len(v.at)) == (25, 10)
    assert v.at[0].as_json() == {"time_s": 0.001, "frame": None, "text": "there"}


def test_json_has_the_promised_keys():
    keys = "rule judged outcome checked broken worst limit unit margin uncertainty confidence source why case at"
    told = judged([30]).as_json()
    assert list(told) == keys.split()
    assert (told["limit"], told["unit"], told["worst"], told["margin"]) == ([None, 20], "ms", 30, -10)
    assert (told["source"], told["uncertainty"]) == ("a published source", 0)


def test_order_is_by_family_then_as_people_read_them():
    names = ["SYS-MONEY", "KIT-SHAPE", "KIT-FRAME", "BUS-ACK", "KIT-OWN"]
    assert sorted(names, key=rank) == ["BUS-ACK", "KIT-FRAME", "KIT-SHAPE", "KIT-OWN", "SYS-MONEY"]


def book():
    return SimpleNamespace(devices={}, links={}, kit=None)


def test_alarms_ring_only_after_their_time_has_passed():
    judge, heard = Judge([], book(), rules=[]), []
    judge.calls("happening.tick").append(lambda h: heard.append(("tick", h.time)))
    judge.at(10, lambda: heard.append("alarm 10"))
    judge.at(5, lambda: heard.append("alarm 5"))
    judge.happening(Happening(10, "bench", "tick", {}))
    judge.happening(Happening(11, "bench", "tick", {}))
    assert heard == ["alarm 5", ("tick", 10), "alarm 10", ("tick", 11)]


def test_a_question_open_at_the_end_is_not_asked():
    judge, heard = Judge([], book(), rules=[]), []
    judge.at(10, lambda: heard.append("alarm"))
    judge.burst(Burst(9, 10, "unknown", True, "host", (1,)))
    judge.close(10)
    assert heard == []


def test_a_reason_keeps_a_rule_from_running():
    links = [LinkInfo("kit", "host", 6250)]
    from benchsim.schema import load_book

    judge = Judge(links, load_book(), subject="host", reasons={"KIT-GAP": "this port delivers bytes in chunks"})
    judge.close(1)
    gap = next(v for v in judge.verdicts() if v.rule == "KIT-GAP")
    assert (gap.judged, gap.outcome, gap.why) == ("host", "unseen", "this port delivers bytes in chunks")
    assert {v.judged for v in judge.verdicts()} == {"host"}
