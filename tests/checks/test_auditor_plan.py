"""The audit reader's plan: every rule on a reader is put to the test, and the tricks do what they say."""

import pytest

from benchsim.checks.audit_tricks import half, instead, is_block, nothing, overhear, spoilt
from benchsim.checks.auditor_plan import CASES, PLAN, VARIANTS
from benchsim.checks.runner import play_virtual
from benchsim.judge import all_rules
from benchsim.schema import load_book
from benchsim.settings import Settings

TESTED_IN = {
    "read": ("AUD-HANDSHAKE", "AUD-CHECK", "AUD-ALTERNATE", "AUD-TIMING"),
    "request-refused": ("AUD-RETRY",),
}


def rules_on_readers():
    return {one.id for one in all_rules() if "auditor" in one.judged}


@pytest.mark.parametrize("name", TESTED_IN)
def test_the_good_reader_passes_where_the_plan_says(name):
    result = play_virtual(Settings(), load_book(), PLAN, CASES[name], 7)
    passed = {v.rule for v in result.verdicts if v.outcome == "pass"}
    assert set(TESTED_IN[name]) - passed == set()


def test_every_rule_on_a_reader_has_its_case_and_a_wrong_reader():
    assert rules_on_readers() == {rule for rules in TESTED_IN.values() for rule in rules}
    caught = {variant.rule for variant in VARIANTS if variant.rule}
    assert rules_on_readers() == caught
    assert all(variant.case in (None, *CASES) and variant.make.__doc__ for variant in VARIANTS)


class Chair:
    """A side that only notes what it hears."""

    def __init__(self):
        self.tricks, self.heard, self.talk = [], [], self

    def told(self, item):
        self.heard.append(item)

    def says(self, wire):
        for trick in list(self.tricks):
            wire = wire and trick(wire)
        return wire


def test_words_are_changed_so_often_and_no_more():
    chair = Chair()
    instead(chair, is_block, spoilt, times=2, after=1)
    instead(chair, lambda wire: wire == b"\x04", nothing)
    said = [chair.says(wire) for wire in (b"\x05", b"abc", b"abc", b"\x04", b"abc", b"abc", b"\x04")]
    assert said == [b"\x05", b"abc", b"abb", None, b"abb", b"abc", b"\x04"]
    assert chair.tricks == []
    assert half(b"abcde") == b"ab"


def test_what_is_not_noticed_is_counted():
    chair = Chair()
    overhear(chair, lambda item: item == "ACK0", times=2, after=1)
    for item in ("ACK0", "NAK", "ACK0", "ACK0", "ACK0"):
        chair.talk.told(item)
    assert chair.heard == ["ACK0", "NAK", "ACK0"]
