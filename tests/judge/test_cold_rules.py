"""Perishable food over hand-written talks: what the compartment was, and what the board told of it.

Limits from the sources: 41 °F = 5 °C (FDA Food Code 2022, 3-501.16), 30 minutes after service (4-204.111), 10 minutes at
other times (common practice). The rule doubts 1.5 °C, so 3.4 is cold and 6.6 is warm beyond doubt.
"""

import pytest

from benchsim.events import Happening

RULE = "SYS-COLD"
PERISHABLE, DRINKS = "01001e", "020041"
SET_WARM, SET_FAILED, CLEARED = [(1, 6, "0101")], [(1, 6, "0102")], [(2, 6, "0001")]
SALE, LOCKED, SERVICE, PRICED = 3, 5, 6, 2


class Script:
    """Hands, sensors and POLLs on a talk. Times in minutes and seconds."""

    def __init__(self, kit, duty=PERISHABLE, air=3.0):
        self.k = kit()
        self.happen("power", "board", on=True, cause=0)
        self.air(air)
        self.k.start()
        self.k.ask("0b", duty)

    def happen(self, kind, seat="machine", **data):
        self.k.events.append(Happening(self.k.now, seat, kind, data))
        return self

    def air(self, celsius, **sensor):
        return self.happen("cold", air=celsius, product=celsius, evaporator=celsius, **sensor)

    def door(self, is_open):
        return self.happen("door", open=is_open)

    def push(self):
        return self.happen("button")

    def stuck(self, how):
        return self.happen("door-switch", stuck=how)

    def power(self, on):
        self.k.power("board", on)
        return self

    def polls(self, minutes, state=SALE):
        """One every 30 s, over so many minutes."""
        for _ in range(round(minutes * 2)):
            self.k.poll(state, after=30_000)
        return self

    def poll(self, state, events=()):
        self.k.poll(state, events=events)
        return self

    @property
    def outcome(self):
        return self.k.verdict(RULE, "board").outcome


def locked(s):
    """Warm for more than ten minutes, and locked out."""
    return s.air(9.0).polls(10.5).poll(LOCKED, SET_WARM).polls(1, LOCKED)


STORIES = {
    # must it be locked out?
    "cold": ("pass", lambda s: s.polls(15)),
    "cold, not for long": ("unseen", lambda s: s.polls(8)),
    "warm and locked out": ("pass", locked),
    "warm and not locked out": ("fail", lambda s: s.air(9.0).polls(12)),
    "warm, priced and not locked out": ("fail", lambda s: s.air(9.0).polls(12, PRICED)),
    "warm for nine minutes": ("pass", lambda s: s.air(9.0).polls(9).air(3.0).polls(5)),
    "nine minutes twice": ("pass", lambda s: s.air(9.0).polls(9).air(3.0).polls(1).air(9.0).polls(9).air(3.0).polls(1)),
    "a little too warm is in doubt": ("pass", lambda s: s.air(6.4).polls(40)),
    "after a start the time counts anew at most": ("pass", lambda s: s.air(9.0).polls(8).power(False).power(True).polls(9).air(2).polls(5)),
    "after a start too it must lock out": ("fail", lambda s: s.air(9.0).polls(8).power(False).power(True).polls(12)),
    "service is tolerated": ("pass", lambda s: s.door(True).air(14.0).polls(20, SERVICE).door(False).polls(29).air(3).polls(1)),
    "service is over": ("fail", lambda s: s.door(True).air(14.0).polls(20, SERVICE).door(False).polls(42)),
    "in service nothing is judged": ("pass", lambda s: s.door(True).air(14.0).polls(60, SERVICE).air(3.0).door(False).polls(11)),
    "no service was seen by a stuck switch": ("pass", lambda s: s.stuck("closed").door(True).air(14.0).polls(15).door(False).air(3).polls(1)),
    "a failed sensor and not locked out": ("fail", lambda s: s.air(3.0, sensor="open").polls(12)),
    "a sensor that reads astray": ("pass", lambda s: s.air(9.0, sensor="astray").polls(30)),
    # may it be locked out?
    "cold and locked out": ("fail", lambda s: s.polls(15).poll(LOCKED, SET_WARM)),
    "cold and locked out, told by the state alone": ("fail", lambda s: s.polls(15).poll(LOCKED)),
    "perhaps warm and locked out": ("pass", lambda s: s.air(4.0).polls(15).poll(LOCKED, SET_WARM)),
    "sooner than it must": ("pass", lambda s: s.air(9.0).polls(5).poll(LOCKED, SET_WARM)),
    "after service too soon": ("fail", lambda s: s.door(True).air(9.0).polls(2, SERVICE).door(False).polls(11).poll(LOCKED, SET_WARM)),
    "after service in time": ("pass", lambda s: s.door(True).air(9.0).polls(2, SERVICE).door(False).polls(31).poll(LOCKED, SET_WARM)),
    "it was so before the door closed": ("pass", lambda s: s.air(9.0).polls(10).door(True).k.wait(500) and s.door(False).poll(LOCKED, SET_WARM)),
    "a failed sensor": ("pass", lambda s: s.air(3.0, sensor="short").polls(2).poll(LOCKED, SET_FAILED)),
    "a good sensor told as failed": ("fail", lambda s: s.polls(10).poll(LOCKED, SET_FAILED)),
    # how does it clear?
    "by the button, door open, cold": ("pass", lambda s: locked(s).door(True).air(3.0).poll(SERVICE).push().poll(SERVICE, CLEARED).door(False).poll(PRICED)),
    "by itself": ("fail", lambda s: locked(s).air(3.0).polls(5, LOCKED).poll(PRICED, CLEARED)),
    "by itself, told by the state alone": ("fail", lambda s: locked(s).air(3.0).polls(5, LOCKED).poll(SALE)),
    "by a loss of power": ("fail", lambda s: locked(s).power(False).power(True).poll(PRICED)),
    "not by a loss of power": ("pass", lambda s: locked(s).power(False).power(True).poll(0).polls(2, LOCKED)),
    "by the door alone": ("fail", lambda s: locked(s).air(3.0).door(True).poll(SERVICE).door(False).poll(PRICED)),
    "by the button in warm air": ("fail", lambda s: locked(s).door(True).push().poll(SERVICE, CLEARED)),
    "by the button with a failed sensor": ("fail", lambda s: locked(s).air(3.0, sensor="open").door(True).push().poll(SERVICE, CLEARED)),
    "not by the button in cold air": ("fail", lambda s: locked(s).air(3.0).door(True).push().poll(SERVICE).door(False).polls(2, LOCKED)),
    "not by the button in air that may be warm": ("pass", lambda s: locked(s).air(4.0).door(True).push().poll(SERVICE).door(False).polls(2, LOCKED)),
}  # fmt: skip


@pytest.mark.parametrize("name", STORIES)
def test_stories(kit, name):
    outcome, story = STORIES[name]
    assert story(s := Script(kit)) is not None and s.outcome == outcome


def test_drinks_may_be_warm_and_are_not_locked_out(kit):
    assert Script(kit, DRINKS, 20.0).polls(60).outcome == "unseen"
    assert Script(kit, DRINKS, 20.0).polls(20).poll(LOCKED, SET_WARM).outcome == "fail"


def test_where_nothing_is_told_of_a_compartment_it_is_unseen(kit):
    verdict = kit().start().ask("0b", PERISHABLE).poll(SALE).verdict(RULE, "board")
    assert (verdict.outcome, verdict.why) == ("unseen", "the bench does not see into a cold compartment here")


def test_a_locked_out_board_is_met(kit):
    """It was locked out before the bench began: nothing is known of the reason."""
    s = Script(kit)
    s.poll(LOCKED).polls(3, LOCKED)
    assert s.outcome == "unseen"
    s.poll(PRICED)
    assert s.outcome == "fail"
