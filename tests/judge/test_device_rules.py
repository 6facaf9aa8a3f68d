"""Changer, validator, reader at start and in use. Frames and checksums are written by hand (MDB/ICP 4.3 §5 to §7)."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script, started = bus_script.Script, bus_script.started

COIN_TYPE_ALL = "10C 0FF 0FF 000 000 00A"  # 0C+FF+FF = 20A
COIN_TYPE_0_1 = "10C 000 003 000 000 00F"  # 0C+03 = 0F
COIN_TYPE_NONE = "10C 000 000 000 000 00C"
BILL_TYPE_0_1_2 = "134 000 007 000 007 042"  # 34+07+07 = 42
BILL_TYPE_NONE = "134 000 000 000 000 034"
# 01 1978 0064 02 0190 0000 FF 05 0A 14: 01+19+78+64+02+01+90+FF+05+0A+14 = 2AB
VALIDATOR_SETUP = "001 019 078 000 064 002 001 090 000 000 0FF 005 00A 014 1AB"
STACK = "135 001 036"
IN_ESCROW, STACKED, RETURNED = "090 190", "080 180", "0A0 1A0"  # 1rrrtttt, type 0: r = 1, 0, 2


def changer(enable=COIN_TYPE_ALL):
    s = started().out("10A 00A").answer("000 000 005 005 10A").ack()
    return s.out(enable).answer("100") if enable else s


def bill(s, words, poll="133 033"):
    return s.out(poll).answer(words, seat="validator").ack()


def validator(setup=True):
    s = bill(Script().out("130 030").answer("100", seat="validator"), "006 106")
    if setup:
        s.out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    return s.out(BILL_TYPE_0_1_2).answer("100", seat="validator")


# ---- starts


def test_changer_start():
    assert changer().judge()["CHG-START", "board"].outcome == "pass"
    assert "CHG-START board" in started().out(COIN_TYPE_ALL).answer("100").broken()  # no TUBE STATUS
    assert "CHG-START board" not in started().out(COIN_TYPE_NONE).answer("100").broken()
    assert "CHG-START board" not in Script().out(COIN_TYPE_ALL).answer("100").broken()  # begun before the capture


def test_a_new_just_reset_asks_for_all_of_it_again():
    s = changer().out("10B 00B").answer("00B 10B").ack().out(COIN_TYPE_ALL).answer("100")
    assert "CHG-START board" in s.broken()


def test_an_answer_that_was_lost_is_no_step():
    s = started().out("10A 00A").out(COIN_TYPE_ALL).answer("100")
    assert "CHG-START board" in s.broken()


@pytest.mark.parametrize("ack", [None, "8000", "0FF"])
def test_an_answer_that_the_controller_heard_is_a_step_whatever_became_of_its_ack(ack):
    s = started().out("10A 00A").answer("000 000 005 005 10A")
    s = s.say("board", ack) if ack else s
    assert "CHG-START board" not in s.out(COIN_TYPE_ALL).answer("100").broken()


@pytest.mark.parametrize(("ack", "breaks"), [("000", False), ("0FF", True), (None, True)])
def test_a_late_answer_is_a_step_if_the_controller_took_it(ack, breaks):
    """8 ms after the command; the limit is 5 ms, MDB/ICP 4.3 §2."""
    s = started().out("10A 00A").answer("000 000 005 005 10A", after=8.0)
    s = s.say("board", ack) if ack else s
    assert ("CHG-START board" in s.out(COIN_TYPE_ALL).answer("100").broken()) == breaks


def test_validator_start():
    assert validator().judge()["BIL-START", "board"].outcome == "pass"
    assert "BIL-START board" in validator(setup=False).broken()


@pytest.mark.parametrize(("prices", "breaks"), [(True, False), (False, True)])
def test_reader_start(prices, breaks):
    s = Script().out("110 010").answer("100", seat="cashless1")
    s.out("112 012").answer("000 100", seat="cashless1").ack()
    s.out("111 000 003 010 002 000 026").answer("100", seat="cashless1")  # CONFIG comes with the next POLL
    s.out("112 012").answer("001 003 019 078 001 002 005 000 19D", seat="cashless1").ack()
    if prices:
        s.out("111 001 0FF 0FF 000 000 010").answer("100", seat="cashless1")  # 11+01+FF+FF = 210
    s.out("114 001 015").answer("100", seat="cashless1")
    assert ("CSH-START board" in s.broken()) == breaks
    assert s.judge()["CSH-START", "board"].checked == 1


def test_an_enabling_repeated_because_its_answer_was_lost_counts_once():
    v = started().out(COIN_TYPE_ALL).out(COIN_TYPE_ALL).answer("100").judge()["CHG-START", "board"]
    assert (v.outcome, v.checked, v.broken) == ("fail", 1, 1)


# ---- enabled types


@pytest.mark.parametrize(("coin", "breaks"), [("051 006 157", False), ("052 007 159", True), ("072 007 179", False)])
def test_coin_of_a_disabled_type(coin, breaks):
    """Types 0 and 1 are enabled; type 1, type 2, and type 2 that was rejected (route 3)."""
    s = changer(COIN_TYPE_0_1).wait(2000).out("10B 00B").answer(coin).ack()
    assert ("CHG-ENABLED changer" in s.broken()) == breaks


def test_after_just_reset_nothing_is_enabled():
    s = changer().out("10B 00B").answer("00B 10B").ack().wait(1100)  # by itself, with no RESET before
    assert "CHG-ENABLED changer" in s.out("10B 00B").answer("052 007 159").ack().broken()


@pytest.mark.parametrize(("ticks", "outcome"), [(0, "warn"), (1, "fail")])
def test_a_coin_told_a_second_after_its_type_was_disabled(ticks, outcome):
    """From the end of COIN TYPE to the start of the answer, 1 s (common practice)."""
    s = changer().polls(1).out(COIN_TYPE_NONE)
    told = s.at + 72_000_000 + ticks
    s.answer("100").out("10B 00B", start=told - 72_000 - 165_000).answer("052 007 159").ack()
    assert s.judge()["CHG-ENABLED", "changer"].outcome == outcome


def test_a_coin_on_its_way_only_warns():
    late = changer().polls(1).out(COIN_TYPE_NONE).answer("100").out("10B 00B").answer("052 007 159").ack()
    assert late.judge()["CHG-ENABLED", "changer"].outcome == "warn"
    too_late = changer().out(COIN_TYPE_NONE).answer("100").wait(1100).out("10B 00B").answer("052 007 159").ack()
    assert too_late.judge()["CHG-ENABLED", "changer"].outcome == "fail"


def test_an_enabling_that_may_not_have_arrived_decides_nothing():
    s = changer(COIN_TYPE_NONE).out(COIN_TYPE_ALL).out("10B 00B").answer("052 007 159").ack()
    assert "CHG-ENABLED changer" not in s.broken()
    s = changer(COIN_TYPE_ALL).out(COIN_TYPE_NONE).wait(3000).out("10B 00B").answer("052 007 159").ack()
    assert "CHG-ENABLED changer" not in s.broken()


def test_bill_of_a_disabled_type():
    assert "BIL-ENABLED validator" not in bill(validator(), IN_ESCROW).broken()
    assert "BIL-ENABLED validator" in bill(validator(), "093 193").broken()  # type 3
    off = bill(validator(), IN_ESCROW).out(BILL_TYPE_NONE).answer("100", seat="validator").wait(1500)
    assert "BIL-ENABLED validator" not in bill(off, STACKED).broken()  # it lay in escrow before
    assert "BIL-ENABLED validator" in bill(bill(off, STACKED), STACKED).broken()


# ---- escrow


def asked(s):
    return s.out(STACK).answer("100", seat="validator")


def escrowed(seconds, outcome=STACKED, ticks=0, polled=True):
    """A bill, ESCROW, POLLs without news, and the outcome starts `seconds` (and `ticks`) after the ESCROW's end."""
    s = bill(validator(), IN_ESCROW).out(STACK)
    end = s.at + round(seconds * 72_000_000) + ticks
    s.answer("100", seat="validator")
    while polled and s.at < end - 110 * 72_000:
        s.polls(1, poll="133 033", seat="validator")
    s.out("133 033", start=end - 72_000 - 165_000).answer(outcome, seat="validator")
    return s.ack() if outcome != "100" else s


@pytest.mark.parametrize(("ticks", "outcome"), [(-72_000, "pass"), (0, "pass"), (1, "fail"), (720_000, "fail")])
def test_escrow_outcome_in_thirty_seconds(ticks, outcome):
    v = escrowed(30, ticks=ticks).judge()["BIL-ESCROW", "validator"]
    assert (v.outcome, v.checked, v.limit.text) == (outcome, 1, "at most 30 s")
    assert v.worst == pytest.approx(30, abs=0.011)


def test_an_escrow_without_any_outcome():
    assert escrowed(30, "100").judge()["BIL-ESCROW", "validator"].outcome == "unseen"  # not late yet
    v = escrowed(30.2, "100").judge()["BIL-ESCROW", "validator"]
    assert (v.outcome, v.broken) == ("fail", 1)


def test_nobody_asked_for_the_outcome():
    assert escrowed(40, polled=False).judge()["BIL-ESCROW", "validator"].outcome == "unseen"
    s = bill(validator(), IN_ESCROW).out(STACK).answer("100", seat="validator")
    assert s.judge(end=60_000)["BIL-ESCROW", "validator"].outcome == "unseen"


def test_an_error_is_an_outcome_too():
    assert "BIL-ESCROW validator" not in bill(asked(bill(validator(), IN_ESCROW)), "005 105").wait(31_000).broken()


def test_one_escrow_for_one_bill():
    once = asked(bill(validator(), IN_ESCROW))
    assert once.judge()["BIL-ESCROW-ONCE", "board"].outcome == "pass"
    assert "BIL-ESCROW-ONCE board" in asked(once).broken()
    assert "BIL-ESCROW-ONCE board" in asked(validator()).broken()  # none there
    assert "BIL-ESCROW-ONCE board" in asked(bill(asked(bill(validator(), IN_ESCROW)), STACKED)).broken()


def test_an_escrow_whose_answer_was_lost_may_be_repeated():
    v = asked(bill(validator(), IN_ESCROW).out(STACK)).judge()["BIL-ESCROW-ONCE", "board"]
    assert (v.outcome, v.checked) == ("pass", 1)


def test_an_escrow_whose_answer_was_lost_may_be_said_again_later():
    """A POLL came between: the controller cannot know whether the first was heard."""
    s = asked(bill(validator(), IN_ESCROW).out(STACK).polls(1, poll="133 033", seat="validator"))
    assert s.judge()["BIL-ESCROW-ONCE", "board"].outcome == "pass"
    nak = bill(validator(), IN_ESCROW).out(STACK).answer("1FF", seat="validator").polls(1, poll="133 033", seat="validator")
    assert asked(nak).judge()["BIL-ESCROW-ONCE", "board"].checked == 2  # refused: it may be said again


def test_a_bill_whose_acknowledgement_was_lost_was_heard_all_the_same():
    s = validator().out("133 033").answer(IN_ESCROW, seat="validator").say("board", "8000")
    assert asked(s).judge()["BIL-ESCROW-ONCE", "board"].outcome == "pass"


def test_an_escrow_after_an_unheard_past_is_not_judged():
    s = asked(Script())
    assert s.judge()["BIL-ESCROW-ONCE", "board"].outcome == "unseen"
    s = asked(bill(validator(), IN_ESCROW).out("130 030"))  # a RESET that nobody answered
    assert s.judge()["BIL-ESCROW-ONCE", "board"].outcome == "unseen"


def test_a_bill_error_leaves_it_open_whether_a_bill_is_there():
    s = bill(bill(validator(), IN_ESCROW), "005 105")  # jam
    assert asked(s).judge()["BIL-ESCROW-ONCE", "board"].outcome == "unseen"


def test_two_bills_two_escrows():
    s = asked(bill(bill(asked(bill(validator(), IN_ESCROW)), RETURNED), IN_ESCROW))
    assert "BIL-ESCROW-ONCE board" not in s.broken()
