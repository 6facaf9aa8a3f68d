"""State tables of a small invented device, and what a wrong file is told."""

import tomllib

import pytest

from benchsim.errors import UsageError
from benchsim.schema.states import Position, States

LAMP = """
states = ["Off", "Ready", "Lit"]
steps = { "Lit (hot)" = "Lit" }
groups = { on = ["Lit", "Lit (hot)"] }
set_up = { all = ["PLUG", "SCREW"], in = "Off", leads = "Ready" }

[[command]]
name = "RESET"
leads = "Off"
[[command]]
name = "PLUG"
[[command]]
name = "SCREW"
[[command]]
name = "LIGHT"
states = ["Ready"]
also = { feature = 1, states = ["Off"] }
leads = "Lit"
[[command]]
name = "FORBID"
leads = { "Ready" = "Off" }
lasts = true
[[command]]
name = "ALLOW"
leads = { "Off" = "Ready" }
lasts = true
[[activity]]
name = "HOT"
states = ["on"]
leads = { on = "Lit (hot)" }
states_confidence = "C"
[[activity]]
name = "LIGHT"
states = ["Off"]
leads = "Ready"
"""


def lamp(**changes):
    return States(tomllib.loads(LAMP) | changes, "bus/x.toml")


def test_codes_count_states_and_not_steps():
    table = lamp()
    assert table.names == ("Off", "Ready", "Lit") and table.all == ("Off", "Ready", "Lit", "Lit (hot)")
    assert [table.code(state) for state in table.all] == [1, 2, 3, 3]
    assert table.of_code(3) == ("Lit", "Lit (hot)") and table.of_code(0) == table.of_code(4) == ()


def test_in_order_by_state_and_feature():
    table = lamp()
    assert [table.legal(state, "LIGHT") for state in table.all] == [False, True, False, False]
    assert [table.legal(state, "LIGHT", 0b10) for state in table.all] == [True, True, False, False]
    assert [table.legal(state, "HOT", 0, True) for state in table.all] == [False, False, True, True]
    assert all(table.legal(state, "PLUG") and table.legal(state, "UNHEARD OF") for state in table.all)
    assert (table.row("HOT", True).confidence, table.row("LIGHT").confidence) == ("C", "A")


def test_a_command_and_an_answer_may_share_a_name():
    table = lamp()
    assert table.legal("Off", "LIGHT", 0, True) and not table.legal("Off", "LIGHT")
    assert table.go(Position("Off"), "LIGHT", True).state == "Ready"


@pytest.mark.parametrize("order", [("PLUG", "SCREW"), ("SCREW", "PLUG"), ("PLUG", "PLUG", "SCREW")])
def test_set_up_in_any_order(order):
    table, at = lamp(), lamp().start
    for name in order[:-1]:
        at = table.go(at, name)
        assert at.state == "Off"
    assert table.go(at, order[-1]) == Position("Ready")


def test_a_reset_begins_anew():
    table = lamp()
    at = table.go(table.go(table.start, "PLUG"), "RESET")
    assert at == Position("Off") and table.go(at, "SCREW").state == "Off"


def test_what_lasts_acts_once_it_can():
    table = lamp()
    at = table.go(Position("Lit"), "FORBID")
    assert at == Position("Lit", "FORBID")  # lit: nothing happens yet
    assert table.go(at, "HOT", True) == Position("Lit (hot)", "FORBID")
    assert table.go(at, "LIGHT", True) == Position("Off", "FORBID")  # back to Ready: now it does
    assert table.go(Position("Lit", "ALLOW"), "LIGHT", True) == Position("Ready", "ALLOW")


def test_everywhere():
    """Off with nothing or one half of the set-up; each other state with each of the lasting commands or none."""
    half = {Position("Off", "", frozenset(done)) for done in ((), ("PLUG",), ("SCREW",))}
    lasting = {Position(state, last) for state in ("Lit", "Lit (hot)") for last in ("", "ALLOW", "FORBID")}
    ready = {Position("Ready"), Position("Ready", "ALLOW"), Position("Off", "FORBID")}
    assert lamp().everywhere() == half | lasting | ready


def test_a_device_without_states():
    table = States({"command": [{"name": "RESET"}]}, "bus/x.toml")
    assert table.legal("", "RESET") and table.go(table.start, "RESET") == table.start
    assert table.everywhere() == {table.start}


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"states": "Off"}, "bus/x.toml: states: expected a list of names"),
        ({"states": ["Off", "Off"]}, "states: a name stands twice"),
        ({"steps": {"Hot": "Warm"}}, "steps: expected a state of this device .*'Warm'"),
        ({"groups": {"on": ["Bright"]}}, "groups.on: .*'Bright'"),
        ({"set_up": {"all": ["PLUG"], "in": "Off", "leads": "Gone"}}, "set_up: .*'Gone'"),
        ({"set_up": {"all": ["PLUG"], "in": "Off"}}, "set_up: the key 'leads' is missing"),
        ({"command": [{"name": "A", "states": ["Gone"]}]}, r"command\[0\].states: .*'Gone'"),
        ({"command": [{"name": "A", "leads": "Gone"}]}, r"command\[0\].leads: .*'Gone'"),
        ({"command": [{"name": "A", "leads": {"Off": "Gone"}}]}, r"command\[0\].leads: .*'Gone'"),
        ({"command": [{"name": "A", "leads": {"Gone": "Off"}}]}, r"command\[0\].leads: .*'Gone'"),
        ({"command": [{"name": "A", "also": {"feature": 1}}]}, r"command\[0\].also: the key 'states'"),
        ({"activity": [{"name": "A", "states_confidence": "D"}]}, r"activity\[0\].states_confidence"),
    ],
)
def test_wrong_tables(changes, told):
    with pytest.raises(UsageError, match=told):
        lamp(**changes)
