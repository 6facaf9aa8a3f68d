"""Money, vends, coils and the door over hand-written talks. What the board tells of credit is set beside what
coins, bills and cards really did; sums are worked by hand. Prices: 100 at row 0, column 0; 200 at row 1, column 0."""

import importlib.util
from pathlib import Path

import pytest

from benchsim.events import Happening


def happen(kit, kind, seat="machine", **data):
    kit.events.append(Happening(kit.now, seat, kind, data))
    return kit


def coin(kit, value, to="tube"):
    return happen(kit, "coin", "changer", type=0, value=value, to=to)


def credit(source, amount, total):
    return f"{source:02x}{amount:08x}{total:08x}"


def quiet(kit, amount, seconds=4, state=3):
    """POLLs without news."""
    for _ in range(seconds * 10):
        kit.poll(state, amount)
    return kit


def opened(kit):
    return quiet(kit().start(), 0, 1)


def sold(kit, outcome=0, falls=True, turns=1, after=0, row=0):
    """A coin of 100, VEND row, column 0; its coil turns and something falls."""
    coin(kit, 100).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    kit.ask("06", f"{row:02x}000064")
    for _ in range(turns):
        happen(kit, "coil", row=row, column=0, state="start")
        kit.poll(4, 0, [(2, 0x02, credit(0, 0, 0))])
        happen(kit, "coil", row=row, column=0, state="stop")
    if falls:
        happen(kit, "drop", row=row, column=0)
    kit.poll(3, after, [(3, 0x03, f"{row:02x}00{outcome:02x}")])
    return quiet(kit, after)


SYS = ("SYS-MONEY", "SYS-PAID-OR-DELIVERED", "SYS-ONE-COIL", "SYS-DOOR")


def system(kit):
    return [b for b in kit.broken() if b.startswith(SYS)]


def test_a_sale_adds_up(kit):
    k = sold(opened(kit))
    assert system(k) == []
    for rule in SYS[:3]:
        assert k.verdict(rule, "board").outcome == "pass", rule


def test_nothing_off_the_links_is_told(kit):
    v = quiet(opened(kit), 0).verdict("SYS-MONEY", "board")
    assert (v.outcome, v.why.split(" (")[0]) == ("unseen", "what happens off the links")


@pytest.mark.parametrize(("held", "breaks"), [(300, False), (200, True), (400, True)])
def test_coins_and_bills_become_credit(kit, held, breaks):
    k = coin(coin(opened(kit), 100), 100, to="box")
    k = happen(happen(k, "bill", "validator", type=0, value=100, to="escrow").poll(3, 200), "bill", "validator",
               type=0, value=100, to="stacked")  # fmt: skip
    k.poll(3, held, [(1, 0x02, credit(1, 200, 200)), (2, 0x02, credit(2, 100, held))])
    assert ("SYS-MONEY board" in quiet(k, held).broken()) == breaks


def test_what_is_given_back_at_once_is_no_money_in(kit):
    k = coin(opened(kit), 100, to="return")
    k = happen(k, "bill", "validator", type=0, value=500, to="returned")
    assert quiet(k, 0).verdict("SYS-MONEY", "board").outcome == "pass"


def test_money_on_its_way_is_not_judged(kit):
    k = quiet(coin(opened(kit), 100), 0, seconds=2)  # not yet quiet, and then the credit comes
    k.poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    assert system(quiet(k, 100)) == []
    k = happen(opened(kit), "bill", "validator", type=0, value=500, to="escrow")
    assert k.verdict("SYS-MONEY", "board").outcome == "unseen"


@pytest.mark.parametrize(("coins", "owed", "breaks"), [(2, 0, False), (1, 50, False), (1, 0, True), (3, 0, True)])
def test_refund(kit, coins, owed, breaks):
    k = coin(opened(kit), 100).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    k.ask("07", "", "0000000064").poll(3, 0, [(2, 0x02, credit(0, 0, 0))])
    for _ in range(coins):
        happen(k, "payout", "changer", value=50)
    k.poll(3, 0, [(3, 0x07, f"{50 * coins:08x}{owed:08x}")])
    assert ("SYS-MONEY board" in quiet(k, 0).broken()) == breaks


def test_a_loss_is_told_once(kit):
    k = coin(opened(kit), 100).poll(3, 50, [(1, 0x02, credit(1, 50, 50))])
    k = quiet(quiet(k, 50), 50)
    v = k.verdict("SYS-MONEY", "board")
    assert (v.outcome, v.broken) == ("fail", 1)
    assert "in 100 = sales 0 + paid 0 + owed 0 + credit 50: 50 lost" in v.at[0].text


def test_devices_that_the_bench_does_not_see_into(kit):
    k = happen(opened(kit), "door", open=False).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    v = quiet(k, 100).verdict("SYS-MONEY", "board")
    assert (v.outcome, v.why) == ("unseen", "coins and bills go into devices that the bench does not see into")


def card_sale(kit, outcome, charged):
    k = happen(opened(kit), "card", "cashless1", funds=500, state="in")
    k.poll(3, 500, [(1, 0x02, credit(3, 500, 500))]).ask("06", "00000064")
    happen(k, "coil", row=0, column=0, state="start").poll(4, 400)
    happen(k, "coil", row=0, column=0, state="stop")
    if outcome == 0:
        happen(k, "drop", row=0, column=0)
    if charged:
        happen(k, "charge", "board", value=100)
    k.poll(3, 400, [(2, 0x03, f"0000{outcome:02x}")])
    happen(k, "card", "cashless1", funds=400, state="out")
    k.poll(3, 0, [(3, 0x02, credit(0, 0, 0))])
    return quiet(k, 0)


def test_a_card_is_charged_for_what_was_delivered(kit):
    assert system(card_sale(kit, 0, True)) == []
    assert system(card_sale(kit, 1, False)) == []
    assert "SYS-PAID-OR-DELIVERED board" in system(card_sale(kit, 1, True))
    assert system(card_sale(kit, 0, False)) == ["SYS-MONEY board"]  # delivered, never charged


@pytest.mark.parametrize(("after", "breaks"), [(100, False), (0, True)])
def test_not_delivered_is_credited_back(kit, after, breaks):
    k = sold(opened(kit), outcome=1, falls=False, after=after)
    assert ("SYS-PAID-OR-DELIVERED board" in k.broken()) == breaks
    assert k.verdict("SYS-PAID-OR-DELIVERED", "board").checked == 1


def test_told_as_delivered_and_nothing_fell(kit):
    assert "SYS-PAID-OR-DELIVERED board" in sold(opened(kit), falls=False).broken()


def test_a_vend_without_an_end(kit):
    k = coin(opened(kit), 100).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    k = quiet(k.ask("06", "00000064").poll(4, 0), 0)
    assert "SYS-PAID-OR-DELIVERED board" in k.broken()


def test_events_offered_again_count_once(kit):
    k = coin(opened(kit), 100).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    k.ask("06", "00000064")
    happen(happen(k, "coil", row=0, column=0, state="start"), "drop", row=0, column=0)
    k.poll(3, 0, [(2, 0x03, "000000")]).poll(3, 0, [(2, 0x03, "000000")])
    assert [b for b in quiet(k, 0).broken() if b.startswith(("SYS-MONEY", "SYS-PAID", "SYS-ONE"))] == []


def test_one_vend_one_turn(kit):
    assert "SYS-ONE-COIL board" in sold(opened(kit), turns=2).broken()
    k = sold(opened(kit))
    assert "SYS-ONE-COIL board" in happen(k, "coil", row=0, column=0, state="start").broken()


def test_another_coil_than_asked_for(kit):
    def other(k):
        k.ask("06", "00000000")
        return happen(k, "coil", row=1, column=1, state="start")

    assert "SYS-ONE-COIL board" in other(opened(kit)).broken()
    miswired = happen(opened(kit), "fault", "bench", name="row-column-swapped", on=True, hands=True)
    assert "SYS-ONE-COIL board" not in other(miswired).broken()


def test_a_survey_turns_what_it_likes(kit):
    k = opened(kit).ask("0c")
    assert "SYS-ONE-COIL board" not in happen(k, "coil", row=1, column=1, state="start").broken()
    k.poll(3, 0, [(1, 0x0A, "0004")])
    assert "SYS-ONE-COIL board" in happen(k, "coil", row=1, column=1, state="start").broken()


@pytest.mark.parametrize(("ms", "breaks"), [(1000, False), (1000.1, True)])
def test_the_door_stops_a_coil(kit, ms, breaks):
    k = happen(happen(kit().start(), "coil", row=0, column=0, state="start").wait(300), "door", open=True)
    happen(k.wait(ms), "coil", row=0, column=0, state="stop").wait(2000)
    assert ("SYS-DOOR board" in k.broken()) == breaks
    assert k.verdict("SYS-DOOR", "board").checked == 1


def test_no_coil_starts_with_the_door_open(kit):
    k = happen(kit().start(), "door", open=True).wait(100)
    assert "SYS-DOOR board" in happen(k, "coil", row=0, column=0, state="start").broken()
    k = happen(happen(kit().start(), "door", open=True).wait(100), "door", open=False)
    assert happen(k, "coil", row=0, column=0, state="start").verdict("SYS-DOOR", "board").outcome == "pass"


# ---- what cards pay, as the bus tells it (MDB/ICP 4.3 §7); sums by hand

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)

FIRST, SECOND = "cashless1", "cashless2"
POLLS = {FIRST: "112 012", SECOND: "162 062"}
# Level 2, scale 1: 01+02+19+78+01+02+05 = 9C. Funds 500: 03+01+F4 = F8. Approved 100, 50: 05+64 = 69, 05+32 = 37.
CONFIG, SESSION = "001 002 019 078 001 002 005 000 19C", "003 001 0F4 000 000 000 000 000 000 000 1F8"
APPROVED, END, JUST_RESET = {100: "005 000 064 169", 50: "005 000 032 137"}, "007 107", "000 100"
SETUP = {FIRST: "111 000 003 010 002 000 026", SECOND: "161 000 003 010 002 000 076"}
REQUEST = {
    (FIRST, 100): "113 000 000 064 000 011 088", (FIRST, 50): "113 000 000 032 000 011 056",
    (SECOND, 100): "163 000 000 064 000 011 0D8",
}  # fmt: skip
SUCCESS = {FIRST: "113 002 000 011 026", SECOND: "163 002 000 011 076"}
FAILURE, COMPLETE = {FIRST: "113 003 016", SECOND: "163 003 066"}, {FIRST: "113 004 017", SECOND: "163 004 067"}


def bus(kit, *said):
    """Exchanges on the bus, each (reader, command, answer): data is acknowledged, None is silence."""
    script = bus_script.Script()
    script.at = kit.now
    if len(kit.links) == 2:
        kit.links.append(script.info)
    for seat, command, answer in said:
        script.out(command, 5)
        if answer is not None:
            script.answer(answer, seat=seat)
        if answer not in (None, "100", "1FF"):
            script.ack()
    kit.events += script.told
    kit.now = script.at
    return kit


def carded(kit, *readers):
    """On sale, with these readers set up."""
    return bus(opened(kit), *((reader, SETUP[reader], CONFIG) for reader in readers))


def numbered(k):
    """A number that no event of late has had."""
    return len(k.events) % 256


def in_session(k, reader=FIRST, cash=0):
    k = bus(happen(k, "card", reader, funds=500, state="in"), (reader, POLLS[reader], SESSION))
    return k.poll(3, 500 + cash, [(numbered(k), 0x02, credit(3, 500, 500 + cash))])


def bought(k, reader=FIRST, card=100, outcome=0, says=SUCCESS, answer="100", after=400):
    """VEND of 100 with so much of it from the card; the reader is told `says`."""
    k.ask("06", "00000064")
    bus(k, (reader, REQUEST[reader, card], "100"), (reader, POLLS[reader], APPROVED[card]))
    happen(k, "coil", row=0, column=0, state="start").poll(4, after)
    happen(k, "coil", row=0, column=0, state="stop")
    if outcome == 0:
        happen(k, "drop", row=0, column=0)
    if says:
        bus(k, (reader, says[reader] if isinstance(says, dict) else says, answer))
    return k.poll(3, after, [(numbered(k), 0x03, f"0000{outcome:02x}")])


def left(k, reader=FIRST, credit_left=0):
    """The card is taken out: complete, end session, quiet."""
    happen(bus(k, (reader, COMPLETE[reader], END)), "card", reader, funds=400, state="out")
    k.poll(3, credit_left, [(numbered(k), 0x02, credit(0, 0, credit_left))])
    return quiet(k, credit_left)


def test_the_bus_tells_what_a_card_pays(kit):
    k = left(bought(in_session(carded(kit, FIRST))))
    assert system(k) == [] and k.verdict("SYS-MONEY", "board").outcome == "pass"
    assert k.verdict("SYS-PAID-OR-DELIVERED", "board").outcome == "pass"


def test_delivered_and_never_charged(kit):
    assert system(left(bought(in_session(carded(kit, FIRST)), says=FAILURE))) == ["SYS-MONEY board"]


def test_charged_and_not_delivered(kit):
    assert "SYS-PAID-OR-DELIVERED board" in system(left(bought(in_session(carded(kit, FIRST)), outcome=1, after=500)))
    assert system(left(bought(in_session(carded(kit, FIRST)), outcome=1, says=FAILURE, after=500))) == []


def test_what_the_bench_says_of_charges_does_not_count_beside_the_bus(kit):
    k = bought(in_session(carded(kit, FIRST)), says=FAILURE)
    assert system(left(happen(k, "charge", "board", value=100))) == ["SYS-MONEY board"]


@pytest.mark.parametrize(("charged", "broken"), [(50, []), (100, ["SYS-MONEY board"])])
def test_cash_and_card_in_one_sale(kit, charged, broken):
    """50 in cash and 50 from the card; a board that asks the card for all of it takes too much."""
    k = coin(carded(kit, FIRST), 50).poll(3, 50, [(1, 0x02, credit(1, 50, 50))])
    k = in_session(k, cash=50)
    assert system(left(bought(k, card=charged, after=450))) == broken


def test_several_vends_in_one_session(kit):
    k = bought(in_session(carded(kit, FIRST)))
    k = left(bought(k, after=300))
    assert system(k) == [] and k.verdict("SYS-PAID-OR-DELIVERED", "board").checked == 2
    k = bought(in_session(carded(kit, FIRST)))
    assert system(left(bought(k, after=300, says=FAILURE))) == ["SYS-MONEY board"]


def test_two_readers_one_after_the_other(kit):
    k = left(bought(in_session(carded(kit, FIRST, SECOND))))
    k = left(bought(in_session(k, SECOND), SECOND), SECOND)
    assert system(k) == [] and k.verdict("SYS-PAID-OR-DELIVERED", "board").checked == 2


def test_while_a_card_is_in_either_reader_nothing_is_settled(kit):
    k = bus(happen(opened(kit), "card", SECOND, funds=500, state="in"), (SECOND, POLLS[SECOND], SESSION))
    k = coin(k, 100)  # never credited, but the second reader's session is open
    assert quiet(k, 0).verdict("SYS-MONEY", "board").outcome == "unseen"


@pytest.mark.parametrize("says", [(FIRST, POLLS[FIRST], JUST_RESET), (FIRST, SUCCESS[FIRST], "00B 004 10F")])
def test_a_reader_that_forgot_the_vend_is_not_the_boards(kit, says):
    """It starts anew, or says out of sequence (state 4: 0B + 04 = 0F), between approval and success."""
    k = bus(bought(in_session(carded(kit, FIRST)), says=None), says)
    assert system(left(k)) == []
    k = coin(bus(bought(in_session(carded(kit, FIRST)), says=None), says), 50)  # and a coin is lost beside it
    assert system(left(k)) == ["SYS-MONEY board"]


def test_a_coin_that_the_changer_forgot_is_not_the_boards(kit):
    told = ("changer", "10B 00B", "042 000 142")  # type 2 to the cash box
    reset = ("changer", "10B 00B", "00B 10B")
    assert system(quiet(bus(coin(carded(kit), 100), reset), 0)) == []
    assert system(quiet(bus(coin(carded(kit), 100), told, reset), 0)) == ["SYS-MONEY board"]
    assert system(quiet(bus(coin(coin(carded(kit), 100), 50), told, reset), 0)) == ["SYS-MONEY board"]
    k = bus(coin(coin(carded(kit), 100), 50), told, reset).poll(3, 100, [(1, 0x02, credit(1, 100, 100))])
    assert system(quiet(k, 100)) == []
