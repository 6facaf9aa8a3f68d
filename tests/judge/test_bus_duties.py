"""Rules that remember: silence, repeats, resets, what is defined. Frames and checksums are written by hand;
limits are those of MDB/ICP 4.3 §3 (changer 2 s, validator and cashless 5 s, RESET every 10 s)."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script, started = bus_script.Script, bus_script.started

POLL = "10B 00B"
COIN = "052 007 159"  # type 2 to tube: 52 + 07 = 59
COIN_AND_NEXT = "052 007 053 008 1B4"  # 52 + 07 + 53 + 08 = B4
NEXT = "053 008 15B"
JUST_RESET = "00B 10B"


def unanswered(script, seconds, every=100.0, poll=POLL):
    """POLLs into silence, the first to the last over that many seconds. A POLL takes 2 words = 2.2917 ms."""
    begin = script.at + 7_200_000
    for i in range(round(seconds * 1000 / every) + 1):
        script.out(poll, start=begin + round(i * every * 72_000))
    return script


def reader(response="005", check="19D"):
    """A cashless device set up at level 3; CONFIG: 01+03+19+78+01+02+05+00 = 9D, with 08 A0."""
    s = Script().out("110 010").answer("100", seat="cashless1")
    s.out("112 012").answer("000 100", seat="cashless1").ack()
    s.out("111 000 003 010 002 000 026")  # 11+03+10+02 = 26
    return s.answer(f"001 003 019 078 001 002 {response} 000 {check}", seat="cashless1").ack()


# ---- BUS-SILENT


@pytest.mark.parametrize(("seconds", "breaks"), [(1.9, False), (2.0, False), (2.1, True)])
def test_changer_silent(seconds, breaks):
    assert ("BUS-SILENT changer" in unanswered(started(), seconds).polls(1).broken()) == breaks


def test_a_device_that_never_answered_is_absent():
    s = unanswered(Script(), 20, every=500, poll="133 033")
    assert "BUS-SILENT validator" not in s.broken()


def test_silence_counts_only_what_it_was_asked():
    s = started().polls(1).wait(5000).polls(1)
    assert "BUS-SILENT changer" not in s.broken()


def test_blocks_that_nobody_can_read_do_not_make_a_device_silent():
    assert "BUS-SILENT changer" not in unanswered(started(), 4, poll="10B 00C").broken()


def test_a_reader_may_take_its_own_response_time():
    six = unanswered(reader(), 6, poll="112 012")
    assert "BUS-SILENT cashless1" in six.broken()
    assert "BUS-SILENT cashless1" not in unanswered(reader("008", "1A0"), 6, poll="112 012").broken()
    assert "BUS-SILENT cashless1" in unanswered(reader("008", "1A0"), 9, poll="112 012").broken()


def test_a_device_without_power_is_not_silent():
    s = unanswered(started().happen("power", seat="changer", after=1, on=False), 4)
    assert "BUS-SILENT changer" not in s.broken()


# ---- BUS-PATIENCE


def test_reset_before_the_non_response_time():
    assert "BUS-PATIENCE board" in unanswered(started(), 1).out("108 008").answer("100").broken()
    assert "BUS-PATIENCE board" not in unanswered(started(), 2.1).out("108 008").answer("100").broken()


def test_a_lost_reset_may_be_repeated_at_once():
    s = started().out("108 008").out("108 008").answer("100")
    assert "BUS-PATIENCE board" not in s.broken()


def test_reset_at_least_every_ten_seconds():
    s = unanswered(started(), 2.1).out("108 008")
    s.out("108 008", start=s.at - 2 * 82_500 + 720_000_000)  # start to start exactly 10 s
    v = s.judge()["BUS-PATIENCE", "board"]
    assert (v.outcome, v.worst, v.margin) == ("pass", 10.0, 0.0)
    s.out("108 008", start=s.at - 2 * 82_500 + 720_000_001)
    assert "BUS-PATIENCE board" in s.broken()


def test_given_up_for_good():
    s = unanswered(started(), 2.1)
    assert "BUS-PATIENCE board" in s.broken(end=10_000)  # 2 s, then 10 s without RESET
    assert "BUS-PATIENCE board" not in s.broken(end=9_000)
    assert "BUS-PATIENCE board" in unanswered(started(), 12.2).broken()  # asked on, never reset


def test_an_absent_device_may_be_given_up():
    assert "BUS-PATIENCE board" not in Script().out("130 030").broken(end=60_000)


def test_a_malfunction_is_met_with_reset_even_if_a_poll_was_lost():
    s = reader().out("112 012").answer("00A 050 15A", seat="cashless1").ack()  # 0A + 50 = 5A
    s.out("112 012").out("110 010").answer("100", seat="cashless1")
    assert "BUS-PATIENCE board" not in s.broken()


# ---- BUS-REPEAT


def coin_then(reply, after=1.0):
    s = started().out(POLL).answer(COIN)
    return s.say("board", reply, after) if reply else s


def test_ret_wants_the_same_block():
    assert "BUS-REPEAT changer" not in coin_then("0AA").answer(COIN).ack().broken()
    assert coin_then("0AA").answer(COIN).ack().judge()["BUS-REPEAT", "changer"].checked == 1
    assert "BUS-REPEAT changer" in coin_then("0AA").answer("052 008 15A").ack().broken()
    assert "BUS-REPEAT changer" in coin_then("0AA").answer("100").broken()


@pytest.mark.parametrize("reply", [None, "0FF"])
@pytest.mark.parametrize(
    ("then", "breaks"),
    [(COIN, False), (COIN_AND_NEXT, False), ("052 009 15B", False), ("100", True), (NEXT, True), ("00A 10A", True)],
)
def test_events_are_offered_again(reply, then, breaks):
    s = coin_then(reply).out(POLL).answer(then)
    if then != "100":
        s.ack()
    assert ("BUS-REPEAT changer" in s.polls(1).broken()) == breaks


def test_newer_before_older_is_wrong():
    s = coin_then("0FF").out(POLL).answer("053 008 052 007 1B4").ack().polls(1)
    assert "BUS-REPEAT changer" in s.broken()


def test_states_may_change():
    s = started().out(POLL).answer("00A 10A").out(POLL).answer("100")  # busy, not ACKed, then no more
    assert "BUS-REPEAT changer" not in s.polls(1).broken()


def test_an_acknowledged_event_is_not_owed():
    s = coin_then("000").out(POLL).answer("100").polls(1)
    assert "BUS-REPEAT changer" not in s.broken()


def test_a_late_ack_leaves_both_ways_open():
    assert "BUS-REPEAT changer" not in coin_then("000", after=5.5).polls(2).broken()


@pytest.mark.parametrize("how", ["reset", "break"])
def test_a_reset_clears_what_is_owed(how):
    s = coin_then(None)
    s = s.out("108 008").answer("100") if how == "reset" else s.hold(120).wait(200)
    assert "BUS-REPEAT changer" not in s.out(POLL).answer(JUST_RESET).ack().polls(1).broken()


# ---- BUS-JUST-RESET


def test_first_data_after_reset():
    s = started().out("108 008").answer("100").out(POLL).answer("100")
    assert s.out(POLL).answer(JUST_RESET).ack().judge()["BUS-JUST-RESET", "changer"].outcome == "pass"
    assert "BUS-JUST-RESET changer" in s.out("108 008").answer("100").out(POLL).answer(COIN).ack().polls(1).broken()


def test_first_data_after_a_break():
    good = started().hold(120).out(POLL, after=200).answer(JUST_RESET).ack().polls(1)
    assert "BUS-JUST-RESET changer" not in good.broken()
    bad = started().hold(120).out(POLL, after=200).answer(COIN).ack().polls(1)
    assert "BUS-JUST-RESET changer" in bad.broken()


def test_too_short_a_break_or_an_unheard_reset_proves_nothing():
    assert "BUS-JUST-RESET changer" not in started().hold(50).out(POLL, after=200).answer(COIN).ack().polls(1).broken()
    assert "BUS-JUST-RESET changer" not in started().out("108 008").out(POLL).answer(COIN).ack().polls(1).broken()


def test_once_only():
    s = started().polls(1)
    s.out(POLL).answer(JUST_RESET).ack()
    assert "BUS-JUST-RESET changer" not in s.polls(1).broken()  # a start of its own is no fault of this rule
    s = started().out(POLL).answer(JUST_RESET).ack().out(POLL).answer(JUST_RESET).ack().polls(1)
    assert "BUS-JUST-RESET changer" in s.broken()


def test_not_acknowledged_it_is_given_again():
    s = started().out("108 008").answer("100").out(POLL).answer(JUST_RESET).out(POLL).answer(JUST_RESET).ack()
    assert "BUS-JUST-RESET changer" not in s.polls(1).broken()


# ---- BUS-UNDERSTOOD, BUS-SHAPE

IDENTIFICATION = "041 042 043 " + "030 " * 24 + "001 000 000 000 000 "  # 41+42+43 + 24 x 30 + 01 = 547


def level_two():
    s = Script().out("108 008").answer("100").out(POLL).answer(JUST_RESET).ack()
    return s.out("109 009").answer("002 019 078 005 002 000 003 001 002 004 00A 014 1C2").ack()


@pytest.mark.parametrize(
    ("command", "breaks"),
    [
        ("10D 012 01F", False),  # DISPENSE one of type 2: 0D + 12 = 1F
        ("10E 00E", True),  # no such command
        ("10C 0FF 0FF 00A", True),  # COIN TYPE lacks two words: 0C + FF + FF = 20A
        ("10F 002 005 016", True),  # PAYOUT needs level 3
        ("10D 012 01E", False),  # wrong sum: another rule's matter
    ],
)
def test_commands_of_level_two(command, breaks):
    assert ("BUS-UNDERSTOOD board" in level_two().out(command).wait(60).broken()) == breaks


def test_features_are_those_reported():
    without = started().out("10F 000 00F").answer(IDENTIFICATION + "000 147").ack()
    assert "BUS-UNDERSTOOD board" in without.out("10F 002 005 016").answer("100").broken()
    with_it = started().out("10F 000 00F").answer(IDENTIFICATION + "001 148").ack()
    assert "BUS-UNDERSTOOD board" not in with_it.out("10F 002 005 016").answer("100").broken()


def test_what_is_not_known_is_not_held_against_the_controller():
    assert "BUS-UNDERSTOOD board" not in Script().out("10F 002 005 016").answer("100").broken()


@pytest.mark.parametrize(
    ("command", "answer", "breaks"),
    [
        (POLL, COIN, False),
        (POLL, "052 152", True),  # a deposit takes two bytes
        (POLL, "00E 10E", True),  # no such code
        (POLL, "180", True),  # one word that is neither ACK nor NAK
        (POLL, "1FF", False),  # NAK
        ("10A 00A", "100", True),  # TUBE STATUS is answered with data
        ("10A 00A", "000 000 007 107", False),  # trailing zeros left off
        ("10A 00A", "000 100", True),
        ("10C 0FF 0FF 000 000 00A", "007 107", True),  # COIN TYPE is answered ACK
    ],
)
def test_shape(command, answer, breaks):
    s = started().out(command).answer(answer)
    if answer not in ("100", "1FF", "180"):
        s.ack()
    assert ("BUS-SHAPE changer" in s.wait(50).broken()) == breaks


def test_a_reader_may_answer_at_once_or_later():
    request = "113 000 000 07D 000 011 0A1"  # 13 + 7D + 11 = A1
    s = reader().out(request).answer("005 000 07D 182", seat="cashless1").ack()  # 05 + 7D = 82
    s.out(request).answer("100", seat="cashless1").out("112 012").answer("006 106", seat="cashless1").ack()
    assert "BUS-SHAPE cashless1" not in s.broken()
    s.out("114 001 015").answer("005 000 07D 182", seat="cashless1").ack()  # READER ENABLE
    assert "BUS-SHAPE cashless1" in s.broken()


# ---- BUS-BAD-SUM-INERT


@pytest.mark.parametrize(("answer", "breaks"), [(None, False), ("1FF", False), ("100", True), (COIN, True)])
def test_answer_to_a_wrong_checksum(answer, breaks):
    s = started().polls(1).out("10B 00C")
    s = s.answer(answer) if answer else s
    s.wait(20).polls(1)
    assert ("BUS-BAD-SUM-INERT changer" in s.broken()) == breaks
    assert s.judge()["BUS-BAD-SUM-INERT", "changer"].checked == 1


def test_a_reset_with_a_wrong_checksum_resets_nothing():
    s = started().polls(1).out("108 009").wait(20).out(POLL).answer(JUST_RESET).ack().polls(1)
    assert "BUS-BAD-SUM-INERT changer" in s.broken()
    s = started().polls(1).out("108 009").out("108 008").answer("100").out(POLL).answer(JUST_RESET).ack().polls(1)
    assert "BUS-BAD-SUM-INERT changer" not in s.broken()


# What a bad block asked for and must not come about. Sums: one too many, the right one stands in the comment.
COIN_TYPE_2 = "10C 000 004 000 000 {}"  # 0C + 04 = 10
DISPENSE_ONE = "10D 012 {}"  # 0D + 12 = 1F
BUSY = "002 102"


def with_coins(enabled="10C 000 003 000 000 00F"):
    """A changer with coin types 0 and 1 enabled: 0C + 03 = 0F."""
    s = started().out("10A 00A").answer("000 000 005 005 005 10F").ack()
    return s.out(enabled).answer("100").polls(1)


def inert(script, seat="changer"):
    return script.judge()["BUS-BAD-SUM-INERT", seat].outcome


def test_a_bad_coin_type_enables_nothing():
    bad, good = COIN_TYPE_2.format("011"), COIN_TYPE_2.format("010")
    coin = ("052 006 158", "051 006 157")  # of type 2, of type 1
    assert inert(with_coins().out(bad).wait(20).out(POLL).answer(coin[0]).ack()) == "fail"
    assert inert(with_coins().out(bad).wait(20).out(POLL).answer(coin[1]).ack()) == "pass"
    assert inert(with_coins().out(bad).wait(20).out(good).answer("100").out(POLL).answer(coin[0]).ack()) == "pass"
    unknown = Script().polls(2).out(bad).wait(20).out(POLL).answer(coin[0]).ack()
    assert inert(unknown) == "pass"  # what was enabled before the capture nobody knows


def test_a_bad_dispense_pays_nothing():
    bad, good = DISPENSE_ONE.format("020"), DISPENSE_ONE.format("01F")
    assert inert(with_coins().out(bad).wait(20).out(POLL).answer(BUSY).ack()) == "fail"
    assert inert(with_coins().out(bad).wait(20).polls(3)) == "pass"
    assert inert(with_coins().out(bad).wait(20).out(good).answer("100").out(POLL).answer(BUSY).ack()) == "pass"
    paying = with_coins().out(good).answer("100").out(bad).wait(20).out(POLL).answer(BUSY).ack()
    assert inert(paying) == "pass"  # it was paying already


def with_bill():
    s = Script().out("130 030").answer("100", seat="validator").out("133 033").answer("006 106", seat="validator").ack()
    s.out("134 000 001 000 001 036").answer("100", seat="validator").polls(1, poll="133 033", seat="validator")  # 34+1+1
    return s


def bill(s, words):
    return s.out("133 033").answer(words, seat="validator").ack()


@pytest.mark.parametrize(
    ("stack", "fate", "outcome"),
    [("135 001 037", "080 180", "fail"), ("135 000 036", "0A0 1A0", "fail"), ("135 001 037", "0A0 1A0", "pass")],
)
def test_a_bad_escrow_moves_no_bill(stack, fate, outcome):
    """35 + 01 = 36: asked to stack and stacked, to return and returned; to stack, and it gave it back by itself."""
    held = bill(with_bill(), "090 190")
    assert inert(bill(held.out(stack).wait(20), fate), "validator") == outcome


def test_a_bad_escrow_before_a_good_one():
    held = bill(with_bill(), "090 190").out("135 001 037").wait(20).out("135 001 036").answer("100", seat="validator")
    assert inert(bill(held, "080 180"), "validator") == "pass"


def test_a_bad_bill_type_enables_nothing():
    s = with_bill().out("134 000 002 000 002 039").wait(20)  # 34 + 02 + 02 = 38: type 1
    assert inert(bill(s, "091 191"), "validator") == "fail"
    s = with_bill().out("134 000 002 000 002 039").wait(20)
    assert inert(bill(s, "090 190"), "validator") == "pass"


def ready_reader(enable=None):
    s = reader().out("111 001 0FF 0FF 000 000 010").answer("100", seat="cashless1")  # 11+01+FF+FF = 210
    if enable:
        s.out(enable).answer("100", seat="cashless1")
    return s.polls(1, poll="112 012", seat="cashless1")


SESSION = "003 001 0F4 000 000 000 000 000 000 000 1F8"  # funds 500, level 2 and up: 03 + 01 + F4 = F8


def test_a_bad_reader_enable():
    s = ready_reader().out("114 001 016").wait(20).out("112 012").answer(SESSION, seat="cashless1").ack()  # 14 + 01 = 15
    assert inert(s, "cashless1") == "fail"
    s = ready_reader("114 001 015").out("114 001 016").wait(20).out("112 012").answer(SESSION, seat="cashless1").ack()
    assert inert(s, "cashless1") == "pass"


@pytest.mark.parametrize(("check", "outcome"), [("0A2", "fail"), ("0A1", "unseen")])
def test_a_bad_vend_request(check, outcome):
    s = ready_reader("114 001 015").out("112 012").answer(SESSION, seat="cashless1").ack()
    s.out(f"113 000 000 07D 000 011 {check}")  # 13 + 7D + 11 = A1
    s = s.answer("100", seat="cashless1") if check == "0A1" else s.wait(20)
    assert inert(s.out("112 012").answer("005 000 07D 182", seat="cashless1").ack(), "cashless1") == outcome


# ---- worst values


def test_silence_is_measured():
    v = unanswered(started(), 1.5).polls(1).judge()["BUS-SILENT", "changer"]
    assert (v.outcome, v.limit.text) == ("pass", "at most 2 s")
    assert v.worst == pytest.approx(1.5) and v.margin == pytest.approx(0.5)
    v = unanswered(started(), 3).judge()["BUS-SILENT", "changer"]
    assert (v.outcome, v.broken) == ("fail", 1) and v.worst == pytest.approx(3)


def test_a_readers_own_limit_is_shown():
    v = unanswered(reader("008", "1A0"), 6, poll="112 012").judge()["BUS-SILENT", "cashless1"]
    assert (v.outcome, v.limit.text) == ("pass", "at most 8 s") and v.worst == pytest.approx(6)


@pytest.mark.parametrize(("ticks", "outcome"), [(0, "pass"), (1, "fail")])
def test_silence_exactly_at_its_limit(ticks, outcome):
    """From the end of the first POLL that was not answered to the end of the last: 2 s."""
    s = started().out(POLL)
    s.out(POLL, start=s.at - 165_000 + 2 * 72_000_000 + ticks)
    assert s.polls(1).judge()["BUS-SILENT", "changer"].outcome == outcome


# ---- a device that answers POLL is not silent


def test_reset_of_a_device_that_leaves_a_step_unanswered():
    s = started().polls(1)
    for _ in range(3):
        s.out("10A 00A").polls(1)  # TUBE STATUS: nothing
    assert "BUS-PATIENCE board" not in s.out("10A 00A").out("108 008").answer("100").broken()
    s = started().polls(1).out(POLL).out("10A 00A").out("108 008").answer("100")  # a POLL passed too: it may be back soon
    assert "BUS-PATIENCE board" in s.broken()


@pytest.mark.parametrize(("ms", "accused"), [(3, False), (30, True)])
def test_an_answer_to_a_master_that_just_lost_its_supply_was_asked_for(ms, accused):
    """It begins within 5 ms of the command's end (MDB/ICP 4.3 §2), and the device cannot know."""
    s = started().polls(1).out(POLL).happen("power", seat="board", after=0.1, on=False).wait(ms).answer("100").wait(100)
    assert ("BUS-MUTE changer" in s.broken()) == accused
    s = started().polls(1).wait(80).happen("power", seat="board", after=0.1, on=False).wait(3).answer("100").wait(100)
    assert "BUS-MUTE changer" in s.broken()  # its last one was answered long ago


def test_a_block_cut_by_a_loss_of_power_is_nobodys_fault():
    """COIN TYPE stops after three of its six words, an answer after one of two."""
    s = started().polls(1).out("10C 0FF 0FF").happen("power", seat="board", after=0.1, on=False).wait(500)
    assert s.broken(end=500) == []
    s = started().polls(1).out(POLL).answer("052").happen("power", seat="changer", after=0.1, on=False).wait(500)
    assert s.broken(end=500) == []
    assert started().polls(1).out("10C 0FF 0FF").wait(500).polls(1).broken() != []
