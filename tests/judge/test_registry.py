"""What a rule tells of itself: whom it can judge at a bench, what it cannot judge and why, whose words its source are."""

from types import SimpleNamespace

import pytest

from benchsim.events import LinkInfo
from benchsim.judge import all_rules
from benchsim.judge.registry import Rule, rule

BOOK = SimpleNamespace(bus_seats=("changer", "cashless2"), kit=SimpleNamespace(source="the link's own paper"))


def a_rule(**more):
    told = {"id": "KIT-X", "judged": ("host",), "link": None, "limit": None, "source": "a paper", "confidence": "A",
            "advice": False, "needs": None, "unseen": None, "make": lambda tally, judge: {}}  # fmt: skip
    return Rule(**{**told, **more})


def test_every_rule_tells_its_statement_and_source():
    for one in all_rules():
        assert one.statement.endswith("."), one.id
        assert one.source or one.limit, one.id
        assert one.judged, one.id


def test_rules_come_by_family():
    names = [one.id for one in all_rules()]
    assert names.index("BUS-ANSWER") < names.index("KIT-FRAME") < names.index("PNL-STUCK") < names.index("SYS-MONEY")


def test_a_rule_is_registered_once():
    with pytest.raises(ValueError, match="KIT-FRAME is registered twice"):
        rule("KIT-FRAME", "host")(lambda tally, judge: {})


@pytest.mark.parametrize(
    ("judged", "subject", "seats"),
    [
        (("host",), None, ["host"]),
        (("controller",), None, ["board"]),
        (("reader",), None, ["cashless1", "cashless2"]),
        (("device", "controller"), None, ["changer", "cashless2", "board"]),
        (("subject",), "panel", ["panel"]),
        (("subject",), None, []),
    ],
)
def test_whom_it_can_judge(judged, subject, seats):
    assert a_rule(judged=judged).seats(BOOK, subject) == seats


@pytest.mark.parametrize(
    ("told", "of_link", "why"),
    [
        ({}, {}, None),
        ({"needs": "edges"}, {}, None),
        ({"needs": "edges"}, {"edges": False}, "the edges of the bits are not measured here"),
        ({"needs": "gaps"}, {"edges": False}, None),
        ({"needs": "gaps"}, {"chunks": True, "note": "a slow port"},
         "words arrive in lumps here, so gaps inside a block are not measured (a slow port)"),
        ({}, {"deaf": "in"}, "kit_in was not recorded, and who is heard alone cannot be judged by this"),
        ({"id": "KIT-FRAME"}, {"deaf": "in"}, None),  # needs the speaker's conductor only
        ({"link": "bus"}, {"deaf": "in"}, None),  # another link
        ({"link": None}, {"deaf": "in"}, "kit_in was not recorded, and who is heard alone cannot be judged by this"),
    ],
)  # fmt: skip
def test_where_it_is_blind(told, of_link, why):
    links = {"kit": LinkInfo("kit", "host", 6250, **of_link)}
    assert a_rule(**{"link": "kit", **told}).blind(links) == why


@pytest.mark.parametrize(("link", "source"), [("kit", "the link's own paper"), ("bus", "a paper"), (None, "a paper")])
def test_a_kit_link_of_ones_own_is_its_own_source(link, source):
    assert a_rule(link=link).on(BOOK).source == source
