"""The changer alone with a master: every act of customer, mechanics and service, and what the bus tells of it.

Codes and layouts: MDB/ICP 4.3 §5. The default changer has types 0.05, 0.10, 0.20, 0.50, 1.00, 2.00 and 20 coins in
each of the first four tubes; a coin falls for 0.25 s and is paid in 0.15 s.
"""

import pytest
from cash_bench import play as play_any

from benchsim.seats.changer import Changer

COIN_5, COIN_10, COIN_20, COIN_50, COIN_100, COIN_200 = range(6)
TO_BOX, TO_TUBE, REJECTED = 0, 1, 3
WHOLE = {"features": 7}  # alternative payout, diagnostics, manual fill and payout


def play(script, settings=None, **more):
    """`script(cash)` after the start-up; its result, and what the changer is judged to have done wrong."""

    async def all_of_it(cash):
        await cash.start_up()
        cash.got.clear()
        result = await script(cash)
        return result, cash.verdicts()

    result, verdicts = play_any(Changer, all_of_it, settings, **more)
    assert {rule for rule, outcome in verdicts if outcome == "fail"} == set()
    return result, {rule for rule, _ in verdicts}


def told(script, settings=None):
    """All that POLLs told; nothing fails and nothing warns."""

    async def polled(cash):
        await script(cash)
        await cash.polls(1)
        return cash.got

    result, warned = play(polled, settings)
    assert warned == set()
    return result


# ---- what it says of itself


@pytest.mark.parametrize(
    ("settings", "setup", "tubes"),
    [
        # level 3, 1978 = EUR by ISO 4217, scaling 5, two decimals, tubes 0 to 3, credits; full bits, counts
        ({}, "03 1978 05 02 000F 01 02 04 0A 14 28", "0000 14 14 14 14"),
        ({"trim": "none"}, "03 1978 05 02 000F 01 02 04 0A 14 28" + "00" * 10, "0000 14 14 14 14" + "00" * 12),
        ({"trim": "zeros", "tubes": [20, 0, 60, 0]}, "03 1978 05 02 000F 01 02 04 0A 14 28", "0004 14 00 3C"),
        ({"trim": "zeros", "tubes": [0, 0]}, "03 1978 05 02 0003 01 02 04 0A 14 28", "0000"),
        ({"tubes": []}, "03 1978 05 02 0000 01 02 04 0A 14 28", "0000"),
        ({"level": 2, "currency": "0049", "credits": [1, 255, 0]}, "02 0049 05 02 000F 01 FF 00", "0000 14 14 14 14"),
    ],
)  # fmt: skip
def test_setup_and_tube_status_byte_by_byte(settings, setup, tubes):
    """By hand from the layouts of SETUP and TUBE STATUS (§5); zeros at the end may be left off."""

    async def script(cash):
        return [(await cash.outcome(bytes((code,)))).data.hex() for code in (0x09, 0x0A)]

    assert play(script, settings)[0] == [bytes.fromhex(text).hex() for text in (setup, tubes)]


def test_level_sensors_tell_lower_bounds_that_jump():
    """A sensor at every 5th coin: 18 coins are told as 15, and 20 once two more are in. CHG-COUNT only warns."""

    async def script(cash):
        counts = [(await cash.ask("TUBE STATUS"))["counts"][0]]
        for _ in range(3):
            cash.device.insert(COIN_5)
            await cash.polls(0.5)
        return counts + [tube for _, _, _, tube in cash.got], cash.device.tubes[0]

    assert play(script, {"tubes": [18], "sensor_step": 5}) == (([15, 15, 20, 20], 21), {"CHG-COUNT"})


def test_a_defective_sensor_is_full_and_empty_at_once_and_its_tube_is_left_alone():
    async def script(cash):
        cash.device.blind(COIN_10)
        status = await cash.ask("TUBE STATUS")
        cash.device.insert(COIN_10)
        cash.device.insert(COIN_5)
        await cash.polls(0.5)
        cash.device.trouble("TUBE SENSOR DEFECTIVE", False)
        after = await cash.ask("TUBE STATUS")
        return (status["full"], status["counts"][:4]), (after["full"], after["counts"][:4]), cash.got, cash.to("coin")

    before, after, got, to = play(script)[0]
    assert before == (0b0010, [20, 0, 20, 20]) and after == (0, [21, 20, 20, 20])
    assert to == ["box", "tube"] and ("TUBE SENSOR DEFECTIVE",) in got
    assert [one for one in got if len(one) > 1] == [
        ("COIN DEPOSITED", TO_BOX, COIN_10, 0), ("COIN DEPOSITED", TO_TUBE, COIN_5, 21)
    ]  # fmt: skip


def test_without_a_tube_named_all_sensors_are_defective():
    async def script(cash):
        cash.device.trouble("TUBE SENSOR DEFECTIVE")
        status = await cash.ask("TUBE STATUS")
        return status["full"], status["counts"][:4]

    assert play(script)[0] == (0b1111, [0, 0, 0, 0])


@pytest.mark.parametrize(
    ("acts", "pairs"),
    [
        ((), [0x0300]),  # all is well
        ((lambda c: c.trouble("COIN JAM"),), [0x1130]),
        ((lambda c: c.hold_lever(),), [0x1111]),
        ((lambda c: c.fill_by_hand(0, 1),), [0x0510]),
        ((lambda c: c.trouble("ROM CHECKSUM"), lambda c: c.trouble("COIN JAM")), [0x1001, 0x1130]),
    ],
)
def test_diagnostics(acts, pairs):
    async def script(cash):
        for act in acts:
            act(cash.device)
        return (await cash.ask("DIAGNOSTIC STATUS"))["pairs"]

    assert play(script, WHOLE)[0] == pairs


def test_diagnostics_of_an_inhibited_changer_and_of_one_that_wakes_up():
    async def script(cash):
        await cash.ask("COIN TYPE", accept=0, manual=0)
        inhibited = await cash.ask("DIAGNOSTIC STATUS")
        cash.device.restart()
        await cash.ask("FEATURES", features=0b010)
        return inhibited["pairs"], (await cash.ask("DIAGNOSTIC STATUS"))["pairs"]

    assert play(script)[0] == ([0x0600], [0x0100])


def test_features_that_were_not_enabled_are_not_there():
    async def script(cash):
        await cash.ask("FEATURES", features=0)
        return [await cash.ask(name, **fields) for name, fields in (
            ("PAYOUT", {"value": 1}), ("PAYOUT STATUS", {}), ("DIAGNOSTIC STATUS", {}), ("MANUAL FILL REPORT", {}))
        ]  # fmt: skip

    assert play(script, WHOLE)[0] == ["silence"] * 4


def test_features_that_it_does_not_offer_cannot_be_enabled():
    async def script(cash):
        await cash.ask("FEATURES", features=0xFF)
        return await cash.ask("MANUAL FILL REPORT"), await cash.ask("PAYOUT STATUS")

    assert play(script, {"features": 1})[0] == ("silence", "ack")


# ---- coins


def test_coins_at_once_keep_their_order_in_answers_of_16_bytes():
    """25 coins are 50 bytes: four answers (§5: up to 16 bytes)."""
    coins = [(3 * i) % 6 for i in range(25)]

    async def script(cash):
        for coin in coins:
            cash.device.insert(coin)
        await cash.clock.sleep(0.3)
        sizes = [len(await cash.poll()) for _ in range(5)]
        return sizes, [coin for _, _, coin, _ in cash.got]

    assert play(script) == (([8, 8, 8, 1, 0], coins), set())


def test_a_state_keeps_its_place_beside_many_coins():
    """PAYOUT BUSY goes before the eighth coin: its absence would mean that the payout is over."""

    async def script(cash):
        await cash.ask("DISPENSE", count=15, coin=COIN_5)
        for _ in range(10):
            cash.device.insert(COIN_100)
        await cash.clock.sleep(0.3)
        return [await cash.poll() for _ in range(2)]

    first, second = play(script, {"level": 2})[0]
    assert len(first) == 8 and first[-1] == second[-1] == ("PAYOUT BUSY",) and len(second) == 4


def test_slugs_are_counted_together():
    async def script(cash):
        for _ in range(3):
            cash.device.slug()

    assert told(script) == [("SLUG", 3)]


def test_more_slugs_than_fit_in_one_count():
    """Five bits: at most 31."""

    async def script(cash):
        for _ in range(40):
            cash.device.slug()

    assert told(script) == [("SLUG", 31), ("SLUG", 9)]


def test_a_slug_behind_a_coin_does_not_overtake_it():
    async def script(cash):
        cash.device.slug()
        cash.device.lever()
        cash.device.slug()

    assert told(script) == [("SLUG", 1), ("ESCROW REQUEST",), ("SLUG", 1)]


def test_a_count_that_was_offered_stays_as_it_was():
    """A slug while the answer is on its way is told in the next one."""

    async def script(cash):
        cash.device.slug()
        cash.device.bus.tricks.append(lambda name, words, at: cash.device.slug() if name == "POLL" else None)
        first = await cash.poll()
        cash.device.bus.tricks.clear()
        return first, await cash.poll()

    assert play(script) == (([("SLUG", 1)], [("SLUG", 1)]), set())


def test_two_coins_too_close_together():
    async def script(cash):
        cash.device.insert(COIN_20)
        await cash.clock.sleep(0.05)
        cash.device.insert(COIN_50)
        await cash.clock.sleep(0.2)
        cash.device.insert(COIN_100)

    assert told(script, {"apart_s": 0.1}) == [
        ("DOUBLE ARRIVAL",), ("COIN DEPOSITED", TO_TUBE, COIN_20, 21), ("COIN DEPOSITED", TO_BOX, COIN_100, 0),
    ]  # fmt: skip


def test_a_coin_on_a_string_gives_no_credit():
    async def script(cash):
        cash.device.insert(COIN_20)
        cash.device.insert(COIN_200)
        assert cash.device.pull_back()
        await cash.polls(0.5)
        assert not cash.device.pull_back()
        assert cash.to("coin") == ["return", "tube"] and cash.device.boxed[COIN_200] == 0

    assert told(script) == [("NO CREDIT",), ("COIN DEPOSITED", TO_TUBE, COIN_20, 21)]


def test_a_coin_that_misses_its_tube():
    async def script(cash):
        cash.device.astray()
        cash.device.insert(COIN_20)
        cash.device.insert(COIN_20)
        await cash.polls(0.5)
        assert cash.device.tubes[COIN_20] == 21 and cash.device.boxed[COIN_20] == 1

    assert told(script) == [
        ("ROUTING ERROR",), ("COIN DEPOSITED", TO_BOX, COIN_20, 20), ("COIN DEPOSITED", TO_TUBE, COIN_20, 21),
    ]  # fmt: skip


def test_a_credited_coin_fished_out_again():
    async def script(cash):
        cash.device.insert(COIN_100)
        await cash.polls(0.5)
        assert cash.device.box == 100
        assert cash.device.fish() and not cash.device.fish()
        assert cash.device.box == 0 and cash.to("coin") == ["box", "taken"]

    deposited = ("COIN DEPOSITED", TO_BOX, COIN_100, 0)
    assert told(script) == [deposited, ("CREDITED COIN REMOVAL",), ("CREDITED COIN REMOVAL",)]


def test_a_coin_in_a_tube_cannot_be_fished():
    async def script(cash):
        cash.device.insert(COIN_20)
        await cash.polls(0.5)
        assert not cash.device.fish() and cash.device.tubes[COIN_20] == 21

    assert told(script)[-1] == ("CREDITED COIN REMOVAL",)


@pytest.mark.parametrize("tells", [False, True])
def test_a_coin_of_a_disabled_type_comes_back(tells):
    async def script(cash):
        await cash.ask("COIN TYPE", accept=1 << COIN_5, manual=0)
        cash.device.insert(COIN_20)
        cash.device.insert(9)  # no such coin
        await cash.polls(0.5)
        assert cash.to("coin") == ["return", "return"] and cash.device.tubes[COIN_20] == 20

    rejected = ("COIN DEPOSITED", REJECTED, COIN_20, 20)
    assert told(script, {"tells_rejected": tells}) == ([rejected] if tells else [])


def test_a_token_is_taken_and_worth_nothing():
    """Credit FF is a token (§5)."""

    async def script(cash):
        for coin in range(3):
            cash.device.insert(coin)
        await cash.polls(0.5)
        values = [(h.data["to"], h.data["value"]) for h in cash.happenings if h.kind == "coin"]
        return cash.device.box, cash.device.boxed[:3], values

    boxed = [("return", 0), ("box", 5), ("box", 0)]  # the unused type comes back at once
    assert play(script, {"credits": [1, 255, 0], "tubes": []})[0] == (5, [1, 1, 0], boxed)


def test_coins_stick_in_a_jam_until_it_is_cleared():
    async def script(cash):
        cash.device.insert(COIN_20)
        cash.device.trouble("COIN JAM")
        cash.device.insert(COIN_50)
        await cash.polls(0.5)
        assert cash.to("coin") == ["return"] and cash.device.stuck == [COIN_20]
        assert await cash.ask("RESET") == "ack"
        assert cash.device.stuck == [COIN_20]  # no reset frees a coin
        cash.device.trouble("COIN JAM", False)
        assert cash.to("coin") == ["return", "return"] and cash.device.stuck == []

    told_all = told(script)
    assert set(told_all) == {("COIN JAM",), ("JUST RESET",)}


@pytest.mark.parametrize("state", ["ACCEPTOR UNPLUGGED", "ROM CHECKSUM"])
def test_no_coin_is_taken_in_a_bad_state(state):
    async def script(cash):
        cash.device.trouble(state)
        cash.device.insert(COIN_20)
        await cash.polls(0.5)
        assert cash.to("coin") == ["return"]

    assert set(told(script)) == {(state,)}


# ---- the return lever


def test_the_lever_is_told_once_per_press():
    async def script(cash):
        cash.device.lever()
        await cash.polls(2)
        cash.device.lever()

    assert told(script) == [("ESCROW REQUEST",)] * 2


def test_a_lever_held_is_told_every_second_until_let_go():
    async def script(cash):
        cash.device.hold_lever()
        await cash.polls(3.5)
        cash.device.hold_lever(False)
        await cash.polls(3)

    assert told(script) == [("ESCROW REQUEST",)] * 4  # at 0, 1, 2, 3 s


def test_a_stuck_lever_does_not_pile_up_and_outlives_a_reset():
    async def script(cash):
        cash.device.hold_lever()
        await cash.clock.sleep(10)
        assert await cash.poll() == [("ESCROW REQUEST",)]
        await cash.ask("RESET")
        return await cash.polls(1.5)

    assert play(script)[0] == [("JUST RESET",), ("ESCROW REQUEST",), ("ESCROW REQUEST",)]


def test_a_lever_held_again_is_one_lever():
    async def script(cash):
        cash.device.hold_lever()
        await cash.polls(0.5)
        cash.device.hold_lever(False)
        cash.device.hold_lever()
        await cash.polls(2.3)

    assert told(script) == [("ESCROW REQUEST",)] * 5  # at 0, 0.5, 1.5, 2.5 and 3.5 s


# ---- payouts


def test_dispense_takes_its_time_and_is_busy():
    """Four coins at 0.15 s."""

    async def script(cash):
        assert await cash.ask("DISPENSE", count=4, coin=COIN_50) == "ack"
        busy = await cash.polls(0.55)
        await cash.clock.sleep(0.1)
        return set(busy), await cash.poll(), cash.paid(), cash.device.tubes

    assert play(script, {"level": 2}) == (({("PAYOUT BUSY",)}, [], 200, [20, 20, 20, 16]), set())


def test_dispense_of_more_than_there_is_pays_what_there_is():
    async def script(cash):
        await cash.ask("DISPENSE", count=9, coin=COIN_50)
        await cash.clock.sleep(2)
        await cash.ask("DISPENSE", count=2, coin=COIN_100)  # no tube
        await cash.clock.sleep(1)
        return cash.paid(), cash.device.tubes

    assert play(script, {"tubes": [3, 3, 3, 3]})[0] == (150, [3, 3, 3, 0])


def test_while_it_pays_no_other_payout_is_heard():
    async def script(cash):
        await cash.ask("PAYOUT", value=20)  # 1.00 in two coins
        second = await cash.ask("DISPENSE", count=3, coin=COIN_50), await cash.ask("PAYOUT", value=10)
        await cash.clock.sleep(1)
        return second, cash.paid(), (await cash.ask("PAYOUT STATUS"))["counts"]

    assert play(script)[0] == (("silence", "silence"), 100, [0, 0, 0, 2])


def test_alternative_payout_status_and_value():
    """1.85 at 0.05 is 37 units: three of 10, one each of 4, 2 and 1. Six coins take 0.9 s."""

    async def script(cash):
        assert await cash.ask("PAYOUT", value=37) == "ack"
        assert await cash.ask("PAYOUT STATUS") == "ack"  # still busy
        values = []
        for _ in range(8):
            values.append(await cash.ask("PAYOUT VALUE POLL"))
            await cash.clock.sleep(0.15)
        status = await cash.ask("PAYOUT STATUS")
        return values, status["counts"], await cash.ask("PAYOUT STATUS"), cash.paid()

    values, counts, again, paid = play(script)[0]
    assert (counts, again, paid) == ([1, 1, 1, 3], "ack", 185)
    assert values[-1] == "ack" and sum(one["value"] for one in values if one != "ack") == 37
    assert len([one for one in values if one != "ack" and one["value"]]) > 3  # told as they fall


def test_a_status_that_was_not_acknowledged_is_told_again():
    """Data that was not ACKed is held (§2)."""

    async def script(cash):
        await cash.ask("PAYOUT", value=4)
        await cash.clock.sleep(1)
        lost = []
        cash.line.hurts.append(lambda burst: burst if burst.out or lost else lost.append(burst))
        first = await cash.ask("PAYOUT STATUS"), await cash.ask("PAYOUT STATUS")
        value = await cash.ask("PAYOUT VALUE POLL")
        return first[0], first[1]["counts"], value

    assert play(script)[0] == ("silence", [0, 0, 1, 0], "ack")


def test_a_status_counts_its_own_payout_only():
    """A DISPENSE that comes before the status was asked is no part of it."""

    async def script(cash):
        await cash.ask("PAYOUT", value=4)
        await cash.clock.sleep(0.5)
        await cash.ask("DISPENSE", count=2, coin=COIN_20)
        await cash.clock.sleep(0.5)
        return (await cash.ask("PAYOUT STATUS"))["counts"], cash.device.tubes[COIN_20]

    assert play(script)[0] == ([0, 0, 1, 0], 17)


def test_a_token_is_no_money_to_pay_with():
    """255 units of 0.05 come from the other tube, as far as it goes; credit FF is a token."""

    async def script(cash):
        await cash.ask("PAYOUT", value=255)
        await cash.clock.sleep(2)
        return (await cash.ask("PAYOUT STATUS"))["counts"], cash.paid()

    assert play(script, {"credits": [255, 40], "tubes": [5, 3]})[0] == ([0, 3], 600)


def test_the_last_value_is_told_even_when_all_is_paid():
    async def script(cash):
        await cash.ask("PAYOUT", value=14)
        await cash.clock.sleep(1)
        return await cash.ask("PAYOUT VALUE POLL"), await cash.ask("PAYOUT VALUE POLL")

    assert play(script)[0] == ({"value": 14}, "ack")


def test_a_payout_that_the_tubes_cannot_make_is_less():
    """0.40 from one of 0.20 and one of 0.10."""

    async def script(cash):
        await cash.ask("PAYOUT", value=8)
        await cash.clock.sleep(1)
        return (await cash.ask("PAYOUT STATUS"))["counts"], cash.paid()

    assert play(script, {"tubes": [0, 1, 1, 5]})[0] == ([0, 1, 1, 0], 30)


@pytest.mark.parametrize("level", [2, 3])
def test_a_tube_jam_stops_a_payout_short(level):
    """Two of five coins come. The rest is not paid once the jam is cleared; CHG-COUNT may well warn at level 2."""

    async def script(cash):
        cash.device.jam_tube(COIN_50, after=2)
        if level == 2:
            await cash.ask("DISPENSE", count=5, coin=COIN_50)
        else:
            await cash.ask("PAYOUT", value=50)
        await cash.clock.sleep(0.55)  # the third coin does not come at 0.45 s; five would take 0.75 s
        jammed = await cash.poll()
        status = (await cash.ask("PAYOUT STATUS"))["counts"] if level == 3 else [0, 0, 0, 2]
        cash.device.trouble("TUBE JAM", False)
        await cash.polls(1)
        await cash.ask("DISPENSE", count=1, coin=COIN_50)
        await cash.clock.sleep(0.5)
        return status, jammed, cash.paid(), cash.device.tubes, await cash.poll()

    assert play(script, {"level": level})[0] == ([0, 0, 0, 2], [("TUBE JAM",)], 150, [20, 20, 20, 17], [])


def test_a_reset_ends_a_payout():
    async def script(cash):
        await cash.ask("DISPENSE", count=9, coin=COIN_50)
        await cash.clock.sleep(0.4)
        await cash.ask("RESET")
        await cash.clock.sleep(2)
        return cash.paid(), await cash.poll(), await cash.poll()

    assert play(script)[0] == (100, [("JUST RESET",)], [])


# ---- by hand


def test_dispensed_by_hand_as_far_as_the_master_allows():
    async def script(cash):
        cash.device.dispense_by_hand(COIN_20)
        await cash.clock.sleep(0.5)
        assert cash.device.tubes[COIN_20] == 20  # not allowed yet
        await cash.ask("COIN TYPE", accept=0xFFFF, manual=1 << COIN_20)
        cash.device.dispense_by_hand(COIN_20, 2)
        cash.device.dispense_by_hand(COIN_50, 2)
        await cash.polls(0.5)
        assert cash.device.tubes == [20, 20, 18, 20] and cash.paid() == 0

    assert told(script) == [("COIN DISPENSED BY HAND", 2, COIN_20, 18)]


def test_many_by_hand_come_in_counts_of_seven():
    """Three bits: at most 7. The tube is empty after 16."""

    async def script(cash):
        await cash.ask("COIN TYPE", accept=0, manual=0xFFFF)
        cash.device.dispense_by_hand(COIN_5, 30)
        await cash.polls(5)

    settings = {"tubes": [16]}
    by_hand = "COIN DISPENSED BY HAND"
    assert told(script, settings) == [(by_hand, 7, COIN_5, 9), (by_hand, 7, COIN_5, 2), (by_hand, 2, COIN_5, 0)]


def test_no_coin_by_hand_during_a_payout_or_from_a_jammed_tube():
    async def script(cash):
        await cash.ask("COIN TYPE", accept=0, manual=0xFFFF)
        await cash.ask("DISPENSE", count=3, coin=COIN_5)
        cash.device.dispense_by_hand(COIN_20)
        await cash.polls(1)
        cash.device.trouble("TUBE JAM")
        cash.device.dispense_by_hand(COIN_20)
        await cash.polls(1)
        return cash.device.tubes

    assert play(script)[0] == [17, 20, 20, 20]


def test_manual_fill_and_payout_are_reported_once_they_are_over():
    """0F 06 and 0F 07 (§5): 16 counts each, ACK where there is nothing to report."""

    async def script(cash):
        device = cash.device
        before = await cash.ask("MANUAL FILL REPORT"), await cash.ask("MANUAL PAYOUT REPORT")
        fitted = device.fill_by_hand(COIN_5, 50), device.fill_by_hand(COIN_20, 3)
        came = device.pay_by_hand(COIN_50, 25)
        device.insert(COIN_10)
        during = await cash.ask("MANUAL FILL REPORT"), (await cash.ask("DIAGNOSTIC STATUS"))["pairs"]
        device.service_done()
        fill, payout = await cash.ask("MANUAL FILL REPORT"), await cash.ask("MANUAL PAYOUT REPORT")
        after = [fill["counts"], payout["counts"], await cash.ask("MANUAL FILL REPORT")]
        return before, fitted, came, during, after, device.tubes, cash.to("coin")

    before, fitted, came, during, after, tubes, to = play(script, WHOLE)[0]
    assert before == ("ack", "ack") and during == ("ack", [0x0510])
    assert (fitted, came, tubes, to) == ((40, 3), 20, [60, 20, 23, 0], ["return"])
    assert after == [[40, 0, 3] + [0] * 13, [0, 0, 0, 20] + [0] * 12, "ack"]


def test_a_box_is_emptied():
    async def script(cash):
        cash.device.insert(COIN_100)
        await cash.polls(0.5)
        cash.device.empty_box()
        return cash.device.box, cash.device.fish()

    assert play(script)[0] == (0, False)
