"""The schema of messages, and what a wall makes of what comes, whoever sent it."""

import copy
import json
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from benchsim.cli import run
from benchsim.feeds.schema import read_message
from benchsim.feeds.wall import Wall

HEAD = {"feed": 1, "bench": "left", "run": "0123456789abcdef", "sent": "2026-01-05T08:00:00Z"}
STATUS = HEAD | {
    "kind": "status", "state": "running", "doing": "check", "title": "demo bench", "subject": "host", "seed": 1, "version": "1",
    "commands": False, "outcome": None, "stopped": False, "missed": 0,
}  # fmt: skip
PROGRESS = HEAD | {"kind": "progress", "done": 3, "total": None, "unit": "seconds", "at": "", "standing": {"pass": 4, "fail": 1}}
BROKEN = HEAD | {
    "kind": "broken", "number": 7, "time_s": 1.5, "case": "live", "subject": None, "rule": "KIT-WAIT", "judged": "host",
    "says": "It waits.", "worst": 26.1, "limit": [40, None], "unit": "ms", "at": {"time_s": 1.4, "frame": 3, "text": "POLL"},
}  # fmt: skip
COMMAND = {"feed": 1, "kind": "command", "do": "fault", "fault": "coil-jammed", "on": True}
GOOD = [STATUS, PROGRESS, BROKEN, COMMAND, {"feed": 1, "kind": "command", "do": "stop", "id": "x"}]


def without(message, key):
    return {k: v for k, v in message.items() if k != key}


BAD = [
    without(STATUS, "run"), STATUS | {"state": "bored"}, STATUS | {"more": 1}, STATUS | {"run": "x"}, STATUS | {"bench": "a/b"},
    STATUS | {"number": 3}, STATUS | {"seed": "1"}, STATUS | {"feed": 2}, STATUS | {"sent": "today"},
    PROGRESS | {"standing": {"fine": 3}}, PROGRESS | {"done": -1}, BROKEN | {"limit": [1]}, without(BROKEN, "number"),
    BROKEN | {"at": {"time_s": 1}}, COMMAND | {"do": "stop"}, without(COMMAND, "on"), COMMAND | {"on": 1}, HEAD | {"kind": "hello"},
]  # fmt: skip


def packed(message):
    return json.dumps(message).encode()


def test_the_schema_is_one_and_says_what_is_right():
    schema = json.loads(files("benchsim.feeds").joinpath("feed-1.schema.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    whole = Draft202012Validator(schema)
    for message in GOOD:
        whole.validate(message)
        assert read_message(packed(message)) == message
    for message in BAD:
        assert not whole.is_valid(message), message
        with pytest.raises(ValueError):
            read_message(packed(message))


def test_it_is_printed(capsys):
    assert run(["benches", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out)["$id"] == "urn:benchsim:feed:1"


def test_a_row_is_the_last_of_each_kind():
    wall = Wall("shop/east")
    for message in (PROGRESS, STATUS, BROKEN, BROKEN, PROGRESS | {"done": 4}):  # in any order, some twice
        wall.take(f"shop/east/left/{message['kind']}", packed(message))
    row = wall.rows["left"].as_json()
    assert (row["state"], row["doing"], row["subject"], row["done"], row["total"]) == ("running", "check", "host", 4, None)
    assert row["broken"] == ["KIT-WAIT at host in live"] and row["standing"] == {"pass": 4, "fail": 1}
    wall.take("shop/east/left/status", packed(STATUS | {"run": 16 * "f", "state": "ended"}))
    row = wall.rows["left"].as_json()
    assert (row["state"], row["done"], row["broken"]) == ("ended", None, [])  # another run is another row
    wall.take("shop/east/left/status", b"")
    assert not wall.rows and not wall.odd


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("shop/left/status", packed(PROGRESS)),
        ("shop/right/status", packed(STATUS)),
        ("shop/left/status", b"\xff"),
        ("shop/left/status", b"[1, 2]"),
        ("shop/left/status", 5000 * b"["),
        ("shop/left/seats", b""),
        *[("shop/left/status", packed(message)) for message in BAD],
    ],
)
def test_odd_messages_change_nothing(topic, payload):
    wall = Wall("shop")
    wall.take("shop/left/status", packed(STATUS))
    before = copy.deepcopy(wall.rows)
    assert wall.take(topic, payload) is None
    assert (wall.rows, wall.odd) == (before, 1) and wall.why_odd


@settings(max_examples=30)
@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(), lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from([*STATUS]), inner)))
def test_no_value_breaks_it(value):
    wall = Wall("shop")
    assert wall.take("shop/left/status", packed(value)) is None and wall.odd == 1
