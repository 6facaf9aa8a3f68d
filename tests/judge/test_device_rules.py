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


# ---- enabled types


@pytest.mark.parametrize(("coin", "breaks"), [("051 006 157", False), ("052 007 159", True), ("072 007 179", False)])
def test_coin_of_a_disabled_type(coin, breaks):
    """Types 0 and 1 are enabled; type 1, type 2, and type 2 that was rejected (route 3)."""
    s = changer(COIN_TYPE_0_1).wait(2000).out("10B 00B").answer(coin).ack()
    assert ("CHG-ENABLED changer" in s.broken()) == breaks


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


def test_escrow_outcome_in_thirty_seconds():
    in_time = bill(asked(bill(validator(), IN_ESCROW)).wait(29_900), STACKED)
    assert in_time.judge()["BIL-ESCROW", "validator"].outcome == "pass"
    late = bill(asked(bill(validator(), IN_ESCROW)).wait(30_000), STACKED)
    assert "BIL-ESCROW validator" in late.broken()
    s = asked(bill(validator(), IN_ESCROW))
    assert s.judge(end=29_000)["BIL-ESCROW", "validator"].outcome == "unseen"
    assert s.judge(end=31_000)["BIL-ESCROW", "validator"].outcome == "fail"


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


def test_two_bills_two_escrows():
    s = asked(bill(bill(asked(bill(validator(), IN_ESCROW)), RETURNED), IN_ESCROW))
    assert "BIL-ESCROW-ONCE board" not in s.broken()
