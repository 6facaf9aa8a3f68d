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


def test_no_second_payout_before_a_poll_has_shown_the_first_is_over():
    assert "CHG-PAYOUT board" in dispense(dispense(changer(), 1, 2), 1, 2).broken()
    refused = changer().out("10D 012 01F").answer("1FF")  # NAK: not taken
    assert "CHG-PAYOUT board" not in dispense(refused, 1, 2).broken()


def test_a_payout_repeated_because_its_answer_was_lost_counts_once():
    v = dispense(changer().out("10D 012 01F"), 1, 2).judge()["CHG-PAYOUT", "board"]
    assert (v.outcome, v.checked) == ("pass", 1)


def test_what_is_not_known_is_not_held_against_the_controller():
    assert dispense(started(), 15, 2).judge()["CHG-PAYOUT", "board"].outcome == "unseen"
    jam = changer().out(POLL).answer("007 107").ack()  # how much is left only TUBE STATUS can tell
    assert dispense(jam, 15, 2).judge()["CHG-PAYOUT", "board"].outcome == "unseen"


def test_a_coin_whose_acknowledgement_was_lost_may_be_paid_out():
    told = changer().out(POLL).answer("052 008 15A").say("board", "8000")
    assert dispense(told, 8, 2).judge()["CHG-PAYOUT", "board"].outcome == "unseen"


@pytest.mark.parametrize(("state", "outcome"), [(3, "fail"), (6, "unseen")])
def test_with_the_door_open_the_tubes_may_be_emptied(kit, state, outcome_of, outcome):
    assert outcome_of(both(kit().start().poll(state, 0), dispense(changer(), 8, 2)), "CHG-PAYOUT") == outcome


@pytest.mark.parametrize(("coin", "breaks"), [("052 008 15A", False), ("052 009 15B", True), ("042 007 149", False)])
def test_counts_move_with_deposits(coin, breaks):
    """Type 2 to the tube (route 1), now 8 or 9 there; type 2 to the cash box (route 0)."""
    found = changer().out(POLL).answer(coin).ack().judge().get(("CHG-COUNT", "changer"))
    assert (found.outcome == "warn") == breaks


def status(s, third):
    """TUBE STATUS: two coins of types 0 and 1, so many of type 2."""
    return s.out("10A 00A").answer(f"000 000 002 002 {third:03X} {0x104 + third:03X}").ack()


def counts(s):
    found = s.judge().get(("CHG-COUNT", "changer"))
    return found and found.outcome


def test_tubes_may_show_a_coin_before_it_is_told():
    """Type 2 to the tube, eight there, told after TUBE STATUS showed it: 52+08 = 5A."""
    assert counts(status(changer(), 8).out(POLL).answer("052 008 15A").ack().polls(2)) == "pass"
    assert counts(status(changer(), 8).polls(2)) == "warn"
    assert counts(status(changer(), 6).polls(2)) == "warn"
    assert counts(status(changer(), 8).out(POLL).answer("052 009 15B").ack().polls(2)) == "warn"


def test_counts_asked_for_when_a_coin_was_told_in_vain_may_show_it():
    """The answer with the coin gets no reply, TUBE STATUS shows it (eight), then it is told again."""
    enabled = changer().out("10C 007 0FF 000 000 012").answer("100").polls(1)  # 0C+07+FF: types 0 to 2 and more
    later = status(enabled.out(POLL).answer("052 008 15A"), 8).out(POLL).answer("052 008 15A").ack().polls(2)
    assert counts(later) != "warn"
    assert counts(later.out(POLL).answer("052 00A 15C").ack().polls(1)) == "warn"


def test_tubes_asked_while_coins_are_paid_out_say_nothing():
    """DISPENSE two of type 2: seven, then six, then five are there."""
    paying = dispense(changer(), 2, 2).out(POLL).answer(BUSY).ack()
    assert counts(status(status(paying, 6).polls(1), 5).polls(1)) == "pass"
    paying = dispense(changer(), 2, 2).out(POLL).answer(BUSY).ack()
    assert counts(status(status(paying, 6).polls(1), 6).polls(1)) == "warn"


def test_after_a_reset_the_tubes_are_counted_anew():
    reset = changer().out("108 008").answer("100").out(POLL).answer("00B 10B").ack()
    assert counts(status(reset, 3).polls(1)) == "unseen"


def both(kit_script, bus):
    """A talk on the kit link with one on the bus, which begins when the first ends so far."""
    shift = kit_script.now + 72_000
    kit_script.links.append(bus.info)
    kit_script.events += [one._replace(start=one.start + shift, end=one.end + shift) for one in bus.told]
    kit_script.now = bus.at + shift
    return kit_script


def outcome(script, rule, seat="board", **more):
    return script.verdict(rule, seat, **more).outcome


@pytest.fixture
def outcome_of():
    return outcome


def pressed_and_paid(kit, after_ms, plus=0, before=None):
    """The lever, then DISPENSE of one coin `after_ms` (and `plus` ticks) after the end of the lever's answer."""
    bus = changer().out(POLL).answer(LEVER)
    start = bus.at + after_ms * 72_000 + plus
    bus.ack()
    if before:
        before(bus)
    return both(kit().start().poll(3, 100), bus.out("10D 012 01F", start=start).answer("100"))


@pytest.mark.parametrize(("plus", "result"), [(0, "pass"), (1, "warn")])
def test_the_lever_is_answered_in_ten_seconds(kit, plus, result):
    v = pressed_and_paid(kit, 10_000, plus).verdict("CHG-RETURN", "board", end=100)
    assert v.outcome == result
    if not plus:
        assert (v.worst, v.limit.text) == (10.0, "at most 10 s")


def test_a_lever_that_nobody_could_answer(kit):
    """Empty tubes; a card in the reader, so that what is unspent is not known; a vend under way."""
    empty = started().out("10A 00A").answer("000 000 000 000 000 100").ack().out(POLL).answer(LEVER).ack()
    assert outcome(both(kit().start().poll(3, 100), empty), "CHG-RETURN", end=11_000) == "unseen"
    vending = changer().out(POLL).answer(LEVER).ack()
    assert outcome(both(kit().start().poll(4, 100), vending), "CHG-RETURN", end=11_000) == "unseen"
    card = changer().out("112 012").answer("003 001 0F4 1F8", seat="cashless1").ack()  # 500: 03 + 01 + F4 = F8
    assert outcome(both(kit().start().poll(3, 100), card.out(POLL).answer(LEVER).ack()), "CHG-RETURN", end=11_000) == "unseen"


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


def test_an_acknowledgement_that_was_lost_is_not_the_controllers_fault(kit):
    """It took the bill and credited it; that its ACK was spoilt it cannot know."""
    s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    s.out("133 033").answer("080 180", seat="validator").say("board", "8000")
    k = both(kit().start(), s).poll(3, 500, [(1, 0x02, "02000001f4000001f4")])
    assert outcome(k, "BIL-CREDIT") == "pass"
    s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    s.out("133 033").answer("080 180", seat="validator").say("board", "0FF")  # NAK: not wanted
    k = both(kit().start(), s).poll(3, 500, [(1, 0x02, "02000001f4000001f4")])
    assert outcome(k, "BIL-CREDIT") == "fail"


FULL, ENABLE, DISABLE = "081 090 111", "134 000 007 000 007 042", "134 000 000 000 000 034"


@pytest.mark.parametrize(("plus", "result"), [(0, "pass"), (1, "warn")])
def test_five_seconds_to_disable_what_a_full_stacker_cannot_take(plus, result):
    s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    s.out(ENABLE).answer("100", seat="validator").out("136 036").answer(FULL, seat="validator")
    start = s.at + 5 * 72_000_000 + plus
    s.ack().out(DISABLE, start=start).answer("100", seat="validator")
    assert s.judge()["BIL-FULL", "board"].outcome == result


def test_enabling_with_a_full_stacker():
    s = Script().out("131 031").answer(VALIDATOR_SETUP, seat="validator").ack()
    s.out("136 036").answer(FULL, seat="validator").ack()
    assert s.judge(end=9_000)["BIL-FULL", "board"].outcome == "unseen"  # nothing is enabled
    s.out(ENABLE).answer("100", seat="validator")
    assert s.judge(end=9_000)["BIL-FULL", "board"].outcome == "warn"


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
