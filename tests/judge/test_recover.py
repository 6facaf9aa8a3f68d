"""Does the machine sell again after a fault? Over hand-written talks; who is at fault is worked out by hand."""

import pytest

from benchsim.events import Happening

RULE = "SYS-RECOVER"


def fault(kit, is_on, hands=False, name="bus-noise"):
    kit.events.append(Happening(kit.now, "bench", "fault", {"name": name, "on": is_on, "hands": hands}))
    return kit


def polls(kit, seconds, state=2, every=1.0):
    for _ in range(round(seconds / every)):
        kit.poll(state, after=every * 1000)
    return kit


def outcomes(kit):
    return {seat: kit.verdict(RULE, seat).outcome for seat in ("host", "board")}


BOTH, NOBODY = {"host": "pass", "board": "pass"}, {"host": "unseen", "board": "unseen"}
HOST, BOARD = {"host": "fail", "board": "unseen"}, {"host": "unseen", "board": "fail"}


def struck(kit, **how):
    """On sale, then a fault of two seconds."""
    k = polls(kit().start(), 1, 3)
    fault(k, True, **how)
    polls(k, 2, 0)
    return fault(k, False, **how)


AFTER = {
    "the host opens the sale": (lambda k: polls(polls(k, 5).ask("04"), 30, 3), BOTH),
    "it opens late, and in time": (lambda k: polls(polls(k, 28).ask("04"), 5, 3), BOTH),
    "it sells, and somebody opens the door": (lambda k: polls(polls(polls(k, 5).ask("04"), 10, 3), 20, 6), BOTH),
    "the host only polls": (lambda k: polls(k, 32), HOST),
    "the host is silent": (lambda k: polls(k, 5).wait(30_000), HOST),
    "the board is silent": (lambda k: [polls(k, 5)] + [k.host(f"01{n:02x}", after=900) for n in range(32)], BOARD),
    "the board refuses": (lambda k: polls(polls(k, 5).ask("04", answer="04"), 30), BOARD),
    "the board takes it and sells nothing": (lambda k: polls(polls(k, 5).ask("04"), 30), BOARD),
    "refused at first": (lambda k: polls(polls(k.ask("04", answer="04"), 5).ask("04"), 30, 3), BOTH),
    "locked out": (lambda k: polls(k, 32, 5), NOBODY),
    "in service": (lambda k: polls(k, 32, 6), NOBODY),
    "no table was ever taken": (lambda k: polls(k.table(commit="03"), 32, 1), NOBODY),
    "a table was taken in the end": (lambda k: polls(k.table(commit="03").table(), 32), HOST),
    "not long enough": (lambda k: polls(k, 25), NOBODY),
    "another fault": (lambda k: polls(fault(polls(k, 20), True, name="coin-jam"), 30), NOBODY),
    "the board starts anew, and the time with it": (lambda k: polls(polls(k, 20).power("board", False).power("board", True), 25), NOBODY),
    "the board stays without supply": (lambda k: polls(k.power("board", False), 32), NOBODY),
}  # fmt: skip


@pytest.mark.parametrize("name", AFTER)
def test_who_is_to_blame(kit, name):
    play, expected = AFTER[name]
    k = struck(kit)
    play(k)
    assert outcomes(k) == expected


def test_what_needs_hands_is_not_judged(kit):
    assert outcomes(polls(struck(kit, hands=True).power("board", False).power("board", True), 40)) == NOBODY


def test_two_faults_one_of_which_needs_hands(kit):
    k = fault(polls(kit().start(), 1, 3), True, hands=True, name="coil-jammed")
    fault(k, True)
    fault(k, False, hands=True, name="coil-jammed")
    fault(k, False)
    assert outcomes(polls(k, 40)) == NOBODY


def test_the_next_fault_is_judged_for_itself(kit):
    k = struck(kit, hands=True)
    fault(polls(k, 2, 3), True)
    fault(polls(k, 2), False)
    assert outcomes(polls(k, 40)) == HOST


def test_without_any_fault_nothing_is_judged(kit):
    assert outcomes(polls(kit().start(), 40)) == NOBODY
