"""Hosts that use the kit link in an unusual way and within its limits: no rule may accuse them."""

import pytest

from benchsim.checks.host_legal import ODD, Curious, Dearer, Eager, Odd, ShutsAndOpens, SmallParts, StartsAnew
from benchsim.checks.host_plan import PLAN
from benchsim.checks.runner import play_virtual
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()
PAIRS = [(name, host) for name in PLAN.cases for host in ODD if name != "stuck-touch" or host in (Eager, StartsAnew)]


@pytest.mark.parametrize(("name", "host"), PAIRS)
def test_no_rule_accuses_a_legal_host(name, host):
    result = play_virtual(Settings(), BOOK, PLAN, PLAN.cases[name], 1, {"host": host})
    assert [(v.rule, v.places) for v in result.verdicts if v.outcome in ("fail", "unsure", "warn")] == []
    passed = {v.rule for v in result.verdicts if v.outcome == "pass"}
    assert {"KIT-FRAME", "KIT-SHAPE", "KIT-START", "SYS-PRESENT"} <= passed, result.notes


@pytest.mark.parametrize(
    ("limit", "seconds", "rule", "name"),
    [
        ("poll", 0.0499, "KIT-POLL-RATE", "polling"),
        ("poll", 0.2501, "KIT-POLL-RATE", "polling"),
        ("wait", 0.0399, "KIT-WAIT", "answer-lost"),
        ("wait", 0.1001, "KIT-WAIT", "answer-lost"),
        ("reset", 0.4999, "KIT-RELINK", "board-silent"),
        ("reset", 1.0001, "KIT-RELINK", "board-silent"),
    ],
)
def test_a_tenth_of_a_millisecond_past_the_limit_is_caught(limit, seconds, rule, name):
    past = type("Past", (Odd,), {"times": {limit: seconds}})
    result = play_virtual(Settings(), BOOK, PLAN, PLAN.cases[name], 1, {"host": past})
    assert [v.rule for v in result.verdicts if v.outcome == "fail"] == [rule]


SAID = {  # operation code -> at least so often in five quiet seconds
    SmallParts: {0x09: 5}, Curious: {0x0B: 1, 0x0E: 5, 0x0F: 5, 0x10: 5}, StartsAnew: {0x01: 3, 0x0A: 3},
    ShutsAndOpens: {0x05: 4, 0x04: 5}, Dearer: {0x05: 4, 0x0A: 5},
}  # fmt: skip


@pytest.mark.parametrize("host", SAID, ids=lambda host: host.__name__)
def test_the_odd_hosts_are_odd(host):
    result = play_virtual(Settings(), BOOK, PLAN, PLAN.cases["polling"], 1, {"host": host})
    said = [b.words[1] for b in result.events if getattr(b, "link", None) == "kit" and b.out]
    assert {code: said.count(code) >= least for code, least in SAID[host].items()} == dict.fromkeys(SAID[host], True)
