"""The validator alone with a master: every act of customer, mechanics and service, and what the bus tells of it.

Codes and layouts: MDB/ICP 4.3 §6. The default validator has types 5.00, 10.00, 20.00; a bill is read for 1 s and moves
for 1.5 s. BILL REMOVED comes with the bill as returned (common practice).
"""

import pytest
from cash_bench import play as play_any

from benchsim.events import seconds
from benchsim.seats.validator import Validator

BILL_5, BILL_10, BILL_20 = range(3)
STACKED, IN_ESCROW, RETURNED, DISABLED_BILL = 0, 1, 2, 4
STACK, RETURN = 1, 0


def play(script, settings=None):
    """`script(cash)` after the start-up; nothing that the validator does is judged to be wrong."""

    async def all_of_it(cash):
        await cash.start_up()
        cash.got.clear()
        return await script(cash), cash.verdicts()

    result, verdicts = play_any(Validator, all_of_it, settings)
    assert verdicts == set()
    return result


def told(script, settings=None):
    """Events and states told in POLLs during the script and the second after it, BUSY left out."""

    async def polled(cash):
        await script(cash)
        await cash.polls(1)
        return [one for one in cash.got if one != ("BUSY",)]

    return play(polled, settings)


# ---- what it says of itself


@pytest.mark.parametrize(
    ("settings", "answer"),
    [
        # level, currency, scaling 100, decimals, capacity 400, security, escrow, credits
        ({}, "01 1978 0064 02 0190 0000 FF 05 0A 14"),
        ({"level": 2, "escrow": False, "trim": "none"}, "02 1978 0064 02 0190 0000 00 05 0A 14" + "00" * 13),
        ({"currency": "1840", "scaling": 500, "credits": [1, 0, 255, 0], "trim": "zeros", "security": 5, "capacity": 1},
         "01 1840 01F4 02 0001 0005 FF 01 00 FF"),
    ],
)  # fmt: skip
def test_setup_byte_by_byte(settings, answer):
    """By hand from the layout of SETUP (§6)."""

    async def script(cash):
        return (await cash.outcome(b"\x31")).data.hex()

    assert play(script, settings) == bytes.fromhex(answer).hex()


@pytest.mark.parametrize(("stacked", "answer"), [(0, "0000"), (399, "018f"), (400, "8190"), (401, "8191")])
def test_stacker_count_and_full_bit(stacked, answer):
    """Bit 15 full, 14-0 count (§6)."""

    async def script(cash):
        return (await cash.outcome(b"\x36")).data.hex()

    assert play(script, {"stacked": stacked}) == answer


def test_level_2_tells_no_optional_features():
    async def script(cash):
        one, two = await cash.ask("IDENTIFICATION"), await cash.ask("IDENTIFICATION 2")
        return two == one | {"features": 0}, await cash.ask("FEATURES", features=0)

    assert play(script, {"level": 2}) == (True, "ack")


def test_disabled_is_told_where_it_is_set():
    async def script(cash):
        enabled = await cash.poll()
        await cash.ask("BILL TYPE", enable=0, escrow=0)
        return enabled, await cash.poll()

    assert play(script, {"tells_disabled": True}) == ([], [("DISABLED",)])
    assert play(script) == ([], [])


# ---- the way of a bill


@pytest.mark.parametrize(("word", "route", "to"), [(STACK, STACKED, "stacked"), (RETURN, RETURNED, "returned")])
def test_a_bill_waits_in_escrow_for_the_masters_word(word, route, to):
    """And while it moves the validator is busy; the outcome comes within 30 s (§6)."""

    async def script(cash):
        cash.device.insert(BILL_10)
        waiting = await cash.polls(20)
        assert await cash.ask("ESCROW", stack=word) == "ack"
        asked = cash.clock.now()
        moving = [("BUSY",)]
        while moving == [("BUSY",)]:
            moving = await cash.poll()
            await cash.clock.sleep(0.08)
        return waiting, moving, seconds(cash.clock.now() - asked), cash.to("bill"), cash.device.stacked

    waiting, outcome, took, went, stacked = play(script)
    assert waiting == [("BILL", IN_ESCROW, BILL_10)] and outcome == [("BILL", route, BILL_10)]
    assert 1.5 <= took < 1.7 and went == ["escrow", to] and stacked == (word == STACK)


@pytest.mark.parametrize("settings", [{"escrow": False}, {}])
def test_without_escrow_a_bill_is_stacked_at_once(settings):
    async def script(cash):
        await cash.ask("BILL TYPE", enable=0xFFFF, escrow=0xFFFF if settings else 1 << BILL_5)
        cash.device.insert(BILL_20)
        await cash.polls(3)
        return cash.to("bill"), cash.device.stacked, [one for one in cash.got if one != ("BUSY",)]

    assert play(script, settings) == (["stacked"], 1, [("BILL", STACKED, BILL_20)])


def test_a_bill_that_nobody_decides_on_is_given_back():
    """It waits for 5 s; an ESCROW after that is invalid."""

    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(8)
        await cash.ask("ESCROW", stack=STACK)
        assert cash.to("bill") == ["escrow", "returned"] and cash.device.stacked == 0

    assert told(script, {"hold_s": 5}) == [
        ("BILL", IN_ESCROW, BILL_5), ("BILL", RETURNED, BILL_5), ("INVALID ESCROW REQUEST",)
    ]  # fmt: skip


def test_the_time_in_escrow_is_that_bills_own():
    """The second bill waits its own 5 s, though it came in the first one's."""

    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        await cash.polls(1.7)
        cash.device.insert(BILL_10)  # in escrow from about 4.7 s on; the first one's time would be over at 6 s
        await cash.polls(4.3)
        assert cash.device.phase == "escrow"
        await cash.polls(4)
        assert cash.device.phase is None

    assert told(script, {"hold_s": 5})[-1] == ("BILL", RETURNED, BILL_10)


@pytest.mark.parametrize("bill", [None, BILL_5])
def test_escrow_without_a_bill_there(bill):
    """None at all, or one that is still being read."""

    async def script(cash):
        if bill is not None:
            cash.device.insert(bill)
        assert await cash.ask("ESCROW", stack=STACK) == "ack"
        await cash.polls(0.5)

    assert told(script)[0] == ("INVALID ESCROW REQUEST",)


def test_a_second_bill_while_one_is_under_way_comes_back_untold():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.clock.sleep(0.2)
        cash.device.insert(BILL_20)
        await cash.polls(2)
        cash.device.insert(BILL_20)  # and with one in escrow
        await cash.polls(1)
        return cash.to("bill"), cash.got

    assert play(script) == (["returned", "escrow", "returned"], [("BILL", IN_ESCROW, BILL_5)])


def test_busy_is_told_once_for_two_reasons():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        cash.device.busy(1)
        return await cash.poll()

    assert play(script) == [("BUSY",)]


# ---- bills that it does not want


def test_bills_while_disabled_are_counted():
    async def script(cash):
        await cash.ask("BILL TYPE", enable=1 << BILL_20, escrow=0)
        for bill in (BILL_5, BILL_10, BILL_5):
            cash.device.insert(bill)
        await cash.polls(0.3)
        cash.device.insert(BILL_5)
        assert cash.to("bill") == ["returned"] * 4

    assert told(script) == [("BILLS WHILE DISABLED", 3), ("BILLS WHILE DISABLED", 1)]


def test_more_bills_while_disabled_than_one_count_holds():
    """Five bits: at most 31."""

    async def script(cash):
        await cash.ask("BILL TYPE", enable=0, escrow=0)
        for _ in range(33):
            cash.device.insert(BILL_5)

    assert told(script) == [("BILLS WHILE DISABLED", 31), ("BILLS WHILE DISABLED", 2)]


def test_a_bill_of_a_disabled_type_told_by_its_type():
    async def script(cash):
        await cash.ask("BILL TYPE", enable=0, escrow=0)
        cash.device.insert(BILL_10)

    assert told(script, {"disabled_as": "bill"}) == [("BILL", DISABLED_BILL, BILL_10)]


def test_a_bill_whose_type_is_disabled_while_it_is_read_comes_back():
    async def script(cash):
        cash.device.insert(BILL_10)
        await cash.clock.sleep(0.1)
        await cash.ask("BILL TYPE", enable=1 << BILL_5, escrow=1 << BILL_5)
        await cash.polls(3)
        assert cash.to("bill") == ["returned"]

    assert told(script) == [("REJECTED",)]


def test_an_unknown_paper_is_rejected():
    async def script(cash):
        cash.device.insert(9)
        assert cash.to("bill") == ["returned"]

    assert told(script) == [("REJECTED",)]


@pytest.mark.parametrize(
    ("able", "asked", "worn", "good"),
    [(1, 1, True, False), (1, 1, False, True), (1, 0, True, True), (1, 2, True, True), (2, 1, True, True)],
)
def test_a_worn_bill_fails_high_security(able, asked, worn, good):
    """SECURITY sets types to high security bit by bit, those that the validator said can be."""

    async def script(cash):
        await cash.ask("SECURITY", types=asked)
        cash.device.insert(BILL_5, worn=worn)
        await cash.polls(2)

    assert told(script, {"security": able}) == ([("BILL", IN_ESCROW, BILL_5)] if good else [("REJECTED",)])


# ---- the stacker


def test_a_full_stacker_takes_no_bill():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        await cash.polls(2)
        status = await cash.ask("STACKER")
        cash.device.insert(BILL_5)
        await cash.polls(0.5)
        cash.device.empty()
        return status, await cash.ask("STACKER"), cash.to("bill"), cash.got[-1]

    full, emptied, went, last = play(script, {"capacity": 10, "stacked": 9})
    assert full == {"full": 1, "count": 10} and emptied == {"full": 0, "count": 0}
    assert went == ["escrow", "stacked", "returned"] and last == ("REJECTED",)


def test_a_cash_box_taken_out_and_put_in_empty():
    async def script(cash):
        cash.device.take_box()
        cash.device.insert(BILL_5)
        out = await cash.poll()
        cash.device.put_box()
        return out, cash.to("bill"), await cash.poll(), (await cash.ask("STACKER"))["count"]

    assert play(script, {"stacked": 7}) == ([("REJECTED",), ("CASH BOX OUT",)], ["returned"], [], 0)


def test_a_bill_cannot_be_stacked_where_no_box_is():
    """Told to stack, it comes back, and that is told within 30 s."""

    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        cash.device.take_box()
        await cash.ask("ESCROW", stack=STACK)
        await cash.polls(4)
        assert cash.to("bill") == ["escrow", "returned"] and cash.device.stacked == 0

    assert [one for one in told(script) if one[0] == "BILL"] == [
        ("BILL", IN_ESCROW, BILL_5), ("BILL", RETURNED, BILL_5)
    ]  # fmt: skip


# ---- what goes wrong on the way


def test_a_jam_while_a_bill_is_stacked():
    """The jam is the outcome within 30 s; the bill comes out when the jam is cleared, after a reset too."""

    async def script(cash):
        cash.device.insert(BILL_10)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        cash.device.trouble("JAM")
        jammed = await cash.polls(40)
        assert (cash.device.phase, cash.device.bill) == ("stuck", BILL_10)
        await cash.ask("RESET")
        await cash.polls(0.5)
        assert cash.device.phase == "stuck" and cash.to("bill") == ["escrow"]
        cash.device.trouble("JAM", False)
        return set(jammed), await cash.poll(), cash.to("bill"), cash.device.stacked, cash.device.bill

    jammed, last, went, stacked, bill = play(script)
    assert jammed == {("BUSY",), ("JAM",)} and last == [("BILL", RETURNED, BILL_10)]
    assert (went, stacked, bill) == (["escrow", "returned"], 0, None)


def test_a_jam_cleared_before_the_bill_comes_to_it():
    async def script(cash):
        cash.device.insert(BILL_10)
        cash.device.trouble("JAM")
        await cash.polls(0.5)
        cash.device.trouble("JAM", False)
        await cash.polls(1)

    assert told(script)[-1] == ("BILL", IN_ESCROW, BILL_10)


def test_a_bill_in_escrow_does_not_jam():
    async def script(cash):
        cash.device.insert(BILL_10)
        await cash.polls(2)
        cash.device.trouble("JAM")
        await cash.polls(1)
        cash.device.trouble("JAM", False)
        await cash.ask("ESCROW", stack=STACK)
        await cash.polls(2)
        assert cash.device.stacked == 1

    assert told(script)[-1] == ("BILL", STACKED, BILL_10)


@pytest.mark.parametrize("state", ["MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"])
def test_no_bill_is_taken_in_a_bad_state(state):
    async def script(cash):
        cash.device.trouble(state)
        cash.device.insert(BILL_5)
        await cash.polls(2)
        assert cash.to("bill") == ["returned"]

    assert set(told(script)) == {("REJECTED",), (state,)}


def test_a_sensor_that_fails_while_a_bill_is_read():
    async def script(cash):
        cash.device.insert(BILL_5)
        cash.device.trouble("SENSOR")
        await cash.polls(2)
        assert cash.to("bill") == ["returned"]

    assert ("REJECTED",) in told(script)


def test_a_bill_pulled_out_of_the_slot_is_no_bill():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.clock.sleep(0.5)
        assert cash.device.pull() and not cash.device.pull()
        await cash.polls(2)
        assert cash.to("bill") == ["returned"]

    assert told(script) == [("REJECTED",)]


def test_a_bill_pulled_out_of_escrow():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        assert cash.device.pull()
        await cash.polls(0.5)
        await cash.ask("ESCROW", stack=STACK)
        assert cash.to("bill") == ["escrow", "returned"]

    assert told(script) == [
        ("BILL", IN_ESCROW, BILL_5), ("BILL REMOVED",), ("BILL", RETURNED, BILL_5), ("INVALID ESCROW REQUEST",)
    ]  # fmt: skip


def test_a_bill_on_its_way_to_the_stacker_cannot_be_pulled():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        assert not cash.device.pull()
        await cash.polls(2)
        assert cash.device.stacked == 1

    assert told(script)[-1] == ("BILL", STACKED, BILL_5)


def test_a_stacked_bill_fished_out_again():
    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(2)
        await cash.ask("ESCROW", stack=STACK)
        await cash.polls(2)
        assert cash.device.fish() and not cash.device.fish()
        assert cash.device.stacked == 7 and cash.to("bill") == ["escrow", "stacked", "taken"]

    assert told(script, {"stacked": 7})[-2:] == [("CREDITED BILL REMOVAL",)] * 2


@pytest.mark.parametrize("after", [0.5, 2, 4])
@pytest.mark.parametrize("how", ["RESET", "power"])
def test_a_reset_gives_the_bill_back(how, after):
    """While it is read, in escrow, or on its way to the stacker."""

    async def script(cash):
        cash.device.insert(BILL_5)
        await cash.polls(after)
        if after == 4:
            await cash.ask("ESCROW", stack=STACK)
        if how == "RESET":
            await cash.ask("RESET")
        else:
            cash.device.stop()
            cash.trace.happening("validator", "power", on=False)
            cash.device.start()
        await cash.polls(4)
        return cash.to("bill")[-1], cash.device.stacked, cash.device.bill

    assert play(script) == ("returned", 0, None)
