"""Tubes, payouts, lever, stacker, money width. Frames and checksums are written by hand (MDB/ICP 4.3 §5 to §7)."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script, started = bus_script.Script, bus_script.started

POLL = "10B 00B"
LEVER = "001 101"
BUSY = "002 102"
# 01 1978 0064 02 0190 0000 FF 05 0A 14: the sum is 2AB
VALIDATOR_SETUP = "001 019 078 000 064 002 001 090 000 000 0FF 005 00A 014 1AB"


def changer():
    """Two coins of types 0 and 1, seven of type 2: 02+02+07 = 0B. Credits are 1, 2, 4 units: 2+4+28 = 34."""
    return started().out("10A 00A").answer("000 000 002 002 007 10B").ack()


def dispense(s, count, coin):
    data = count << 4 | coin
    return s.out(f"10D {data:03X} {0x0D + data & 0xFF:03X}").answer("100")


@pytest.mark.parametrize(("count", "breaks"), [(7, False), (8, True)])
def test_dispense_within_the_tube(count, breaks):
    assert ("CHG-PAYOUT board" in dispense(changer(), count, 2).broken()) == breaks


def test_what_was_paid_out_is_gone():
    assert "CHG-PAYOUT board" in dispense(dispense(changer(), 5, 2).polls(1), 3, 2).broken()
    more = dispense(changer(), 5, 2).polls(1).out(POLL).answer("052 003 155").ack()  # 52+03: a coin, three there
    assert "CHG-PAYOUT board" not in dispense(more, 3, 2).broken()


@pytest.mark.parametrize(("value", "check", "breaks"), [("022", "033", False), ("023", "034", True)])
def test_payout_of_a_value(value, check, breaks):
    """0F+02+22 = 33: 34 units are there, 35 are not."""
    assert ("CHG-PAYOUT board" in changer().out(f"10F 002 {value} {check}").answer("100").broken()) == breaks


def test_no_second_payout_while_busy():
    busy = dispense(changer(), 1, 2).out(POLL).answer(BUSY).ack()
    assert "CHG-PAYOUT board" in dispense(busy, 1, 2).broken()
    rested = dispense(changer(), 1, 2).out(POLL).answer(BUSY).ack().polls(1)
    assert "CHG-PAYOUT board" not in dispense(rested, 1, 2).broken()


@pytest.mark.parametrize(("coin", "breaks"), [("052 008 15A", False), ("052 009 15B", True), ("042 007 149", False)])
def test_counts_move_with_deposits(coin, breaks):
    """Type 2 to the tube (route 1), now 8 or 9 there; type 2 to the cash box (route 0)."""
    found = changer().out(POLL).answer(coin).ack().judge().get(("CHG-COUNT", "changer"))
    assert (found.outcome == "warn") == breaks


def both(kit_script, bus):
    """A talk on the kit link with one on the bus, which begins when the first ends so far."""
    shift = kit_script.now + 72_000
    kit_script.links.append(bus.info)
    kit_script.events += [one._replace(start=one.start + shift, end=one.end + shift) for one in bus.told]
    kit_script.now = bus.at + shift
    return kit_script


def outcome(script, rule, seat="board", **more):
    return script.verdict(rule, seat, **more).outcome


def test_the_lever_gives_the_credit_back(kit):
    def pressed(credit):
        return both(kit().start().poll(3, credit), changer().out(POLL).answer(LEVER).ack())

    assert outcome(pressed(100), "CHG-RETURN", end=9_000) == "unseen"
    assert outcome(pressed(100), "CHG-RETURN", end=11_000) == "warn"
    assert outcome(pressed(0), "CHG-RETURN", end=11_000) == "unseen"
    paid = both(kit().start().poll(3, 100), dispense(changer().out(POLL).answer(LEVER).ack(), 1, 2))
    assert outcome(paid, "CHG-RETURN", end=11_000) == "pass"


@pytest.mark.parametrize(("bill", "result"), [("080 180", "pass"), ("090 190", "fail"), ("0B0 1B0", "pass"), (None, "fail")])
def test_credit_only_for_a_bill_that_is_kept(kit, bill, result):
    """Type 0: stacked, in escrow, to the recycler, none at all."""
    s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    if bill:
        s.out("133 033").answer(bill, seat="validator").ack()
    k = both(kit().start(), s).poll(3, 500, [(1, 0x02, "02000001f4000001f4")])
    assert outcome(k, "BIL-CREDIT") == result


def test_full_stacker():
    def full():
        s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
        s.out("134 000 007 000 007 042").answer("100", seat="validator")
        return s.out("136 036").answer("081 090 111", seat="validator").ack()  # bit 15, 190 bills: 81+90 = 111

    assert full().judge(end=4_000)["BIL-FULL", "board"].outcome == "unseen"
    assert full().judge(end=6_000)["BIL-FULL", "board"].outcome == "warn"
    off = full().out("134 000 000 000 000 034").answer("100", seat="validator")
    assert off.judge(end=6_000)["BIL-FULL", "board"].outcome == "pass"


WIDE_REQUEST = "113 000 000 000 000 07D 000 011 0A1"
NARROW_REQUEST = "113 000 000 07D 000 011 0A1"


def reader(features=None):
    s = Script().out("110 010").answer("100", seat="cashless1")
    s.out("112 012").answer("000 100", seat="cashless1").ack()
    s.out("111 000 003 010 002 000 026").answer("001 003 019 078 001 002 005 000 19D", seat="cashless1").ack()
    if features:
        s.out("117 004 000 000 000 002 01D").answer("100", seat="cashless1")  # 17+04+02 = 1D: bit 1
    return s


@pytest.mark.parametrize("wide", [False, True])
def test_width_of_amounts(wide):
    for request, is_wide in ((NARROW_REQUEST, False), (WIDE_REQUEST, True)):
        broken = reader(wide).out(request).answer("100", seat="cashless1", after=3).broken()
        assert ("CSH-MONEY-WIDTH board" in broken) == (is_wide != wide)
    for answer, is_wide in (("005 000 07D 182", False), ("005 000 000 000 07D 182", True)):
        s = reader(wide).out("112 012").answer(answer, seat="cashless1").ack()
        assert ("CSH-MONEY-WIDTH cashless1" in s.broken()) == (is_wide != wide)
