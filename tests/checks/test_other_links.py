"""The plans on board-to-host links that are described by a file alone: good seats pass, wrong ones are caught."""

import pytest

from benchsim.checks import board_kit_variants as boards
from benchsim.checks import host_variants as hosts
from benchsim.checks.demo_plan import DEMO
from benchsim.checks.demo_plan import PLAN as DEMO_PLAN
from benchsim.checks.plans import PLANS
from benchsim.checks.runner import play_virtual
from benchsim.settings import Settings

LINKS = ("counted", "fenced")
# case -> rules that it must put to the test, all of which must hold
SHOWN = {
    ("host", "start-up"): "KIT-START KIT-FRAME KIT-GAP KIT-SHAPE KIT-SEQ KIT-PRICE-WHOLE KIT-POLL-RATE",
    ("host", "answer-lost"): "KIT-WAIT KIT-RETRY",
    ("host", "four-answers-lost"): "KIT-WAIT KIT-RETRY KIT-RELINK",
    ("host", "answer-corrupt"): "KIT-BAD-INERT KIT-RETRY",
    ("host", "frame-cut"): "KIT-RETRY",
    ("host", "sale-coin"): "KIT-SALE-STATE",
    ("host", "tap-locked-out"): "KIT-LOCKOUT",
    ("board", "kit-vend-repeated"): "KIT-ONCE",
    ("board", "kit-corrupt"): "KIT-BAD-INERT KIT-QUIET",
    ("board", "kit-torn"): "KIT-BAD-INERT",
    ("board", "kit-wrong-length"): "KIT-SHAPE",
    ("board", "kit-unknown"): "KIT-SHAPE",
    ("board", "kit-half-table"): "KIT-PRICE-WHOLE KIT-STATUS",
    ("board", "kit-silence"): "KIT-WATCHDOG",
    ("board", "kit-events-lost"): "KIT-EVENTS-KEPT",
}
WRONG = [
    ("host", "answer-lost", hosts.Impatient, "KIT-WAIT"), ("host", "polling", hosts.SlowPoller, "KIT-POLL-RATE"),
    ("host", "polling", hosts.SameSeq, "KIT-SEQ"), ("host", "four-answers-lost", hosts.Hurried, "KIT-RELINK"),
    ("board", "kit-start", boards.WrongCheck, "KIT-FRAME"), ("board", "kit-start", boards.Halting, "KIT-GAP"),
    ("board", "kit-start", boards.SaysTwice, "KIT-QUIET"), ("board", "kit-vend-repeated", boards.DoesTwice, "KIT-ONCE"),
    ("board", "kit-corrupt", boards.TakesBadFrames, "KIT-BAD-INERT"),
    ("board", "kit-bad-commit", boards.TakesBadTable, "KIT-PRICE-WHOLE"), ("board", "kit-silence", boards.SellsOn, "KIT-WATCHDOG"),
    ("board", "kit-events-lost", boards.ForgetsEvents, "KIT-EVENTS-KEPT"),
]  # fmt: skip


def outcomes(link, plan, case, classes=None):
    settings = Settings(kit=link)
    result = play_virtual(settings, settings.book(), plan, case, 1, classes)
    return result, {v.rule: v.outcome for v in result.verdicts}


@pytest.mark.parametrize("link", LINKS)
def test_three_customers_buy_and_everybody_behaves(link):
    result, told = outcomes(link, DEMO_PLAN, DEMO)
    assert not result.notes
    assert set(told.values()) <= {"pass", "unseen"}
    assert told["SYS-PAID-OR-DELIVERED"] == told["SYS-MONEY"] == told["KIT-FRAME"] == "pass"


@pytest.mark.parametrize(("seat", "name"), SHOWN, ids=[name for _, name in SHOWN])
@pytest.mark.parametrize("link", LINKS)
def test_good_seats_pass(link, seat, name):
    plan = PLANS[seat]
    _, told = outcomes(link, plan, plan.cases[name])
    assert set(told.values()) <= {"pass", "unseen"}
    assert {rule: told[rule] for rule in SHOWN[seat, name].split()} == dict.fromkeys(SHOWN[seat, name].split(), "pass")


@pytest.mark.parametrize(("seat", "name", "wrong", "rule"), WRONG, ids=[one[2].__name__ for one in WRONG])
@pytest.mark.parametrize("link", LINKS)
def test_wrong_seats_are_caught(link, seat, name, wrong, rule):
    plan = PLANS[seat]
    _, told = outcomes(link, plan, plan.cases[name], {seat: wrong})
    assert told[rule] == "fail"


def test_a_link_of_its_own_is_the_source_of_what_is_said_of_it():
    plan = PLANS["host"]
    result, _ = outcomes("fenced", plan, plan.cases["start-up"])
    assert {v.source for v in result.verdicts if v.rule.startswith("KIT-")} == {"fenced link, an example of the bench"}
