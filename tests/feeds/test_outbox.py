"""What waits to be told: bounded, in order, and every message that was dropped leaves a hole in the numbers."""

from hypothesis import given
from hypothesis import strategies as st

from benchsim.feeds.outbox import KEPT, Outbox

MOST = 5
STEPS = st.lists(st.one_of(st.sampled_from([*KEPT, "links"]), st.integers(1, 4), st.just("again")))


@given(STEPS)
def test_against_a_plain_list(steps):
    box, said, told, number = Outbox(MOST), [], [], 0
    for step in steps:
        if step == "again":
            box.again()
        elif isinstance(step, int):
            batch = box.first(step)
            box.told(batch)
            told += batch
        else:
            number += 1
            said.append({"kind": step, "number": number})
            box.put(said[-1])
        passing = [message["number"] for message in box if message["kind"] == "links"]
        assert passing == sorted(passing) and len(passing) <= MOST
    told += box
    passing = [message for message in told if message["kind"] == "links"]
    assert passing == [m for m in said if m in passing]  # in order, none twice
    every = [message for message in said if message["kind"] == "links"]
    assert passing[-MOST:] == every[-MOST:]  # the newest are never dropped
    for kind in KEPT:
        newest = [message for message in said if message["kind"] == kind][-1:]
        assert [message for message in told if message["kind"] == kind][-1:] == newest
        assert box.kept(kind) == (newest[0] if newest else None)


def test_a_newer_one_that_came_while_the_old_was_under_way_stays():
    box = Outbox()
    old, new = {"kind": "status", "number": 1}, {"kind": "status", "number": 2}
    box.put(old)
    batch = box.first(20)
    box.put(new)
    box.told(batch)
    assert list(box) == [new]
