"""Blocks whose words came through a port: what a doubt or a stall explains is nobody's fault.

Silence over 5 ms ends a block (common practice); a controller's reply is due within 5.0 ms (MDB/ICP 4.3 §3).
"""

import importlib.util
from pathlib import Path

import pytest

from benchsim.events import TICKS_PER_MS
from benchsim.judge.stalls import Stalls

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script = bus_script.Script

MS = TICKS_PER_MS
ACTIVITY = "052 007 159"  # coin type 2 to its tube, 7 in it: 52 + 07 = 59


def through_a_port():
    """Times good to 3 ms."""
    return Script(uncertainty=3 * MS, edges=False, chunks=True)


def verdicts(script, seat="board"):
    """What is said of the controller, with the stalls that the bench told."""
    told = script.judge(stalls=Stalls(script.told))
    return {rule: verdict for (rule, judged), verdict in told.items() if judged == seat}


def broken(script):
    return [rule for rule, v in verdicts(script).items() if v.outcome in ("fail", "warn")]


@pytest.mark.parametrize(("gap", "wrong"), [(7.9, False), (8.1, True)])
def test_a_pause_within_the_doubt_cuts_no_block(gap, wrong):
    """5 ms of silence and 3 ms of doubt; a second word alone has no mode bit."""
    s = through_a_port().polls(1).out("10B 00B", gaps=(0, round(gap * MS))).answer("100")
    assert ("BUS-MODE-OUT" in broken(s)) == wrong


def test_the_same_pause_in_virtual_time_cuts():
    s = Script().polls(1).out("10B 00B", gaps=(0, 7 * MS)).answer("100")
    assert "BUS-MODE-OUT" in broken(s)


@pytest.mark.parametrize(("stall", "wrong"), [(15, False), (2, True)])
def test_a_pause_that_a_stall_explains_cuts_no_block(stall, wrong):
    s = through_a_port().polls(1).out("10B", 60.0).happen("late", "bench", 14.0, us=stall * 1000)
    s.say("board", "00B", 15.0).answer("100")
    assert ("BUS-MODE-OUT" in broken(s)) == wrong


@pytest.mark.parametrize(("stall", "outcome"), [(25, "unseen"), (2, "fail")])
def test_no_reply_across_a_stall_says_nothing(stall, outcome):
    s = through_a_port().out("10B 00B").answer(ACTIVITY).happen("late", "bench", 20.0, us=stall * 1000)
    s.out("10B 00B", 25.0)
    assert verdicts(s)["BUS-ACK"].outcome == outcome


@pytest.mark.parametrize(("stall", "outcome"), [(12, "pass"), (None, "fail")])
def test_talk_at_once_across_a_stall_is_nobodys_fault(stall, outcome):
    """The controller goes on 8 ms after it asked, 6 ms into a long answer: 8 ms of both are heard at once."""
    s = through_a_port().polls(1).out("109 009")
    asked = s.at
    s.answer("003 019 078 005 002 000 003 001 002 004 00A 014 1C3", 2.0)
    s.say("board", "113 000 000 07D 000 011 0A1", start=asked + 8 * MS)  # 13 + 7D + 11 = A1
    if stall:
        s.happen("late", "bench", -5.0, us=stall * 1000)
    assert verdicts(s)["BUS-OVERLAP"].outcome == outcome


def test_who_speaks_after_a_silence_ends_the_other_ones_block():
    """An answer is cut off, the controller has it said again: it is one good answer then. 90: type 0 in escrow."""
    s = through_a_port().out("133 033").answer("090", seat="validator").out("0AA", 5.6)
    s.answer("090 190", seat="validator").ack().out("135 001 036").answer("100", seat="validator")
    assert verdicts(s)["BIL-ESCROW-ONCE"].outcome == "pass"
    assert verdicts(s)["BUS-ACK"].outcome == "pass"


@pytest.mark.parametrize(("stall", "wrong"), [(40, False), (None, True)])
def test_a_second_answer_across_a_stall_may_be_that_to_an_earlier_question(stall, wrong):
    s = through_a_port().polls(2).out("10B 00B").out("10B 00B", 50.0).answer("100")
    if stall:
        s.happen("late", "bench", 0.0, us=stall * 1000)
    s.answer("100", 0.3)
    told = verdicts(s, "changer")["BUS-MUTE"]
    assert (told.outcome == "fail") == wrong and told.checked == 3 + wrong


@pytest.mark.parametrize(("stall", "wrong"), [(70, False), (None, True)])
def test_an_answer_across_a_stall_that_fits_an_earlier_question_only(stall, wrong):
    """SETUP cannot be acknowledged (MDB/ICP 4.3 §5), the POLL before it can."""
    s = through_a_port().polls(2).out("10B 00B").out("109 009", 60.0)
    if stall:
        s.happen("late", "bench", 1.0, us=stall * 1000)
    told = verdicts(s.answer("100", 1.2), "changer")["BUS-SHAPE"]
    assert (told.outcome == "fail") == wrong


def test_a_stall_excuses_no_more_words_than_there_were_questions():
    s = through_a_port().polls(2).out("10B 00B").out("10B 00B", 50.0).answer("100")
    s.happen("late", "bench", 0.0, us=40_000)
    s.answer("100", 0.3).answer("100", 6.0)
    assert verdicts(s, "changer")["BUS-MUTE"].broken == 1


@pytest.mark.parametrize(("stall", "rule"), [(310, None), (None, "BUS-MUTE")])
def test_an_answer_that_a_stall_kept_back_for_long_was_asked_for(stall, rule):
    """After 200 ms, the longest way from POLL to POLL, it is no answer; the bench's own stall does not count."""
    s = through_a_port().polls(2).out("10B 00B").answer("100", 314.0)
    if stall:
        s.happen("late", "bench", 1.0, us=stall * 1000)
    assert [found for found, v in verdicts(s, "changer").items() if v.outcome == "fail"] == [rule] * (rule is not None)
