"""The board as master of the payment bus: starts, silence, troubles, change. MDB/ICP 4.3; what of it is common
practice is said where it stands. Expected commands and codes are written by hand."""

import random

import pytest

from benchsim.events import TICKS_PER_SECOND
from benchsim.links.bus import BusMaster
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.gateway import Gateway
from benchsim.seats.payment import PaymentBus
from benchsim.seats.satellite import Satellite
from benchsim.seats.validator import Validator

CHANGER, VALIDATOR, READER, READER2 = 0x08, 0x30, 0x10, 0x60
LOST, READY, FAULT = 0, 1, 2

# MDB/ICP 4.3 §5, §6, §7: what comes after JUST RESET. The changer's FEATURES wants level 3, the validator's level 2.
STARTS = {
    ("changer", 2): "RESET, SETUP, TUBE STATUS, COIN TYPE",
    ("changer", 3): "RESET, SETUP, TUBE STATUS, IDENTIFICATION, FEATURES, COIN TYPE",
    ("validator", 1): "RESET, SETUP, IDENTIFICATION, STACKER, SECURITY, BILL TYPE",
    ("validator", 2): "RESET, SETUP, IDENTIFICATION 2, FEATURES, STACKER, SECURITY, BILL TYPE",
    ("cashless1", 1): "RESET, SETUP CONFIG, SETUP PRICES, IDENTIFICATION, READER ENABLE",
    ("cashless1", 2): "RESET, SETUP CONFIG, SETUP PRICES, IDENTIFICATION, READER ENABLE",
    ("cashless1", 3): "RESET, SETUP CONFIG, SETUP PRICES, IDENTIFICATION, FEATURES, READER ENABLE",
    ("cashless1", 3, "wide"): "RESET, SETUP CONFIG, SETUP PRICES, IDENTIFICATION, FEATURES, SETUP PRICES, READER ENABLE",
}
ADDRESS = {"changer": CHANGER, "validator": VALIDATOR, "cashless1": READER}


@pytest.mark.parametrize("which", STARTS, ids=str)
def test_start_up_by_level(bus_side, which):
    seat, level, *wide = which

    async def script(side):
        await side.clock.sleep(3)
        return side.commands(ADDRESS[seat]), side.conditions(ADDRESS[seat]), side.failed()

    settings = {"level": level} | ({"wide": True} if wide else {})
    commands, conditions, failed = bus_side(script, {seat: settings})
    assert commands[: len(STARTS[which].split(", "))] == STARTS[which].split(", ")
    assert conditions == [(READY, 0)]
    assert failed == set()


def test_eight_devices_and_every_poll_in_time(bus_side):
    """25 to 200 ms from POLL to POLL (MDB/ICP 4.3 §3), while all of them start and two pay and sell."""
    others = {"gateway": (Gateway, {}), **{f"satellite{n}": (Satellite, {}) for n in (1, 2, 3)}}
    seats = {"changer": {}, "validator": {}, "cashless1": {}, "cashless2": {}, **others}

    async def script(side):
        await side.clock.sleep(4)
        side.pay.payout(385)
        side.devices.cashless1.card(500)
        await side.clock.sleep(6)
        polls = {code: [] for code in (0x0B, 0x33, 0x12, 0x62, 0x1A, 0x42, 0x4A, 0x52)}
        for start, data in side.sent:
            if data[0] in polls:
                polls[data[0]].append(start)
        gaps = [b - a for starts in polls.values() for a, b in zip(starts, starts[1:])]
        ready = {at for name, *data in side.told if name == "device" for at, condition, _ in [data] if condition == READY}
        return min(gaps) / 72_000, max(gaps) / 72_000, ready, side.failed()

    least, most, ready, failed = bus_side(script, seats)
    assert 25 <= least and most <= 200
    assert ready == {0x08, 0x10, 0x18, 0x30, 0x40, 0x48, 0x50, 0x60}
    assert failed == set()


def deaf_to(make, step, how):
    """A device that does not know a command: it says nothing, or NAK, while `deaf` is on."""

    class Deaf(make):
        deaf = True

        def _answer(self, message):
            if message.name == step and self.deaf:
                if how == "nak":
                    self.bus.tricks.append(self._say_nak_once)
                    return b""
                return None
            return super()._answer(message)

        def _say_nak_once(self, name, words, at):
            self.bus.tricks.remove(self._say_nak_once)
            return lambda: self.line.say(self.seat, (0x1FF,), at)

    return Deaf


STEPS = [
    ("changer", Changer, "SETUP", False), ("changer", Changer, "TUBE STATUS", False),
    ("changer", Changer, "IDENTIFICATION", True), ("changer", Changer, "FEATURES", True),
    ("changer", Changer, "COIN TYPE", False), ("validator", Validator, "SETUP", False),
    ("validator", Validator, "IDENTIFICATION", True), ("validator", Validator, "STACKER", True),
    ("validator", Validator, "SECURITY", True), ("validator", Validator, "BILL TYPE", False),
    ("cashless1", Cashless, "SETUP CONFIG", False), ("cashless1", Cashless, "SETUP PRICES", False),
    ("cashless1", Cashless, "IDENTIFICATION", True),
]  # fmt: skip


@pytest.mark.parametrize("how", ["silence", "nak"])
@pytest.mark.parametrize(("seat", "make", "step", "optional"), STEPS, ids=lambda v: v if isinstance(v, str) else "")
def test_a_step_without_answer(bus_side, seat, make, step, optional, how):
    """What only tells more of a device is left out after 5 s; what is needed leads to RESET again (common practice)."""
    deaf = deaf_to(make, step, how)

    async def script(side):
        device, address = getattr(side.devices, seat), ADDRESS[seat]
        await side.clock.sleep(17)
        if optional:
            assert side.conditions(address) == [(READY, 0)]
        else:
            assert side.conditions(address) == []
            resets = [at for at, data in side.sent if data[0] == address]
            assert 3 <= len(resets) <= 5
            assert all(b - a <= 10 * TICKS_PER_SECOND for a, b in zip(resets, resets[1:]))
            device.deaf = False
            await side.clock.sleep(7)
            assert side.conditions(address) == [(READY, 0)]
        return side.failed()

    assert {rule for rule, judged in bus_side(script, {seat: (deaf, {})}) if judged == "board"} == set()


@pytest.mark.parametrize("seat", ["changer", "validator", "cashless1"])
def test_a_device_that_is_off_for_long_is_searched_for_and_comes_back(bus_side, seat):
    async def script(side):
        device, address = getattr(side.devices, seat), ADDRESS[seat]
        await side.clock.sleep(3)
        device.stop()
        await side.clock.sleep(60)
        resets = [at for at, data in side.sent if data[0] == address and at > 4 * TICKS_PER_SECOND]
        assert side.conditions(address) == [(READY, 0), (LOST, 0)]
        assert all(b - a <= 10 * TICKS_PER_SECOND for a, b in zip(resets, resets[1:]))
        assert side.clock.now() - resets[-1] <= 10 * TICKS_PER_SECOND
        device.start()
        await side.clock.sleep(4)
        assert side.conditions(address) == [(READY, 0), (LOST, 0), (READY, 0)]
        return side.failed()

    assert bus_side(script, {seat: {}}) == {("BUS-SILENT", seat)}


def test_a_reader_has_its_own_response_time_to_be_silent(bus_side):
    """The larger of 5 s and its SETUP answer (MDB/ICP 4.3 §3)."""

    async def script(side):
        await side.clock.sleep(3)
        side.devices.cashless1.bus.muted = True
        await side.clock.sleep(11)
        assert side.conditions(READER) == [(READY, 0)]
        side.devices.cashless1.bus.muted = False
        await side.clock.sleep(1)
        side.devices.cashless1.bus.muted = True
        await side.clock.sleep(13)
        assert side.conditions(READER) == [(READY, 0), (LOST, 0)]
        return side.failed()

    assert {rule for rule, who in bus_side(script, {"cashless1": {"response_s": 12}}) if who == "board"} == set()


def test_a_device_that_is_added_later(bus_side):
    async def script(side):
        side.devices.changer.stop()
        await side.clock.sleep(20)
        side.devices.changer.start()
        await side.clock.sleep(3)
        return side.conditions(CHANGER), side.failed()

    conditions, failed = bus_side(script, {"changer": {}, "validator": {}})
    assert conditions == [(READY, 0)] and failed == set()


# ---- devices that are started and not used

OTHER_MONEY = 0xF1


@pytest.mark.parametrize(
    ("seat", "settings", "enabling"),
    [
        ("cashless1", {"currency": "1840"}, 0x14), ("validator", {"currency": "1840"}, 0x34),
        ("cashless1", {"decimals": 0}, 0x14), ("validator", {"decimals": 0}, 0x34),
    ],
)  # fmt: skip
def test_other_money_is_started_and_not_enabled(bus_side, seat, settings, enabling):
    async def script(side):
        await side.clock.sleep(4)
        ons = [data for _, data in side.sent if data[0] == enabling and any(data[1:3])]
        return side.conditions(ADDRESS[seat]), ons, side.conditions(CHANGER), side.failed()

    conditions, ons, changer, failed = bus_side(script, {"changer": {}, seat: settings})
    assert conditions == [(FAULT, OTHER_MONEY)] and ons == []
    assert changer == [(READY, 0)] and failed == set()


def test_a_dialling_code_is_no_other_currency(bus_side):
    async def script(side):
        await side.clock.sleep(4)
        return side.conditions(VALIDATOR)

    assert bus_side(script, {"changer": {}, "validator": {"currency": "0049"}}) == [(READY, 0)]


# ---- change: coins of 5, 10, 20, 50, 100, 200; bills of 500, 1000, 2000


@pytest.mark.parametrize(
    ("tubes", "credit", "dearest", "coins", "bills"),
    [
        # Tubes of 20 each hold 100 + 200 + 400 + 1000 = 1700: all but the bill of 2000 can be given back.
        ([20, 20, 20, 20], 0, 225, 0b111111, 0b011),
        # Nothing to pay with: what fits below the dearest price (exact change, common practice).
        ([0, 0, 0, 0], 0, 225, 0b111111, 0b000),
        ([0, 0, 0, 0], 100, 225, 0b011111, 0b000),
        ([0, 0, 0, 0], 200, 225, 0b000111, 0b000),
        # A credit at the dearest price: nothing more is of use.
        ([20, 20, 20, 20], 225, 225, 0, 0),
        ([20, 20, 20, 20], 220, 225, 0b111111, 0b011),
        # Only fives: 20 of them give 100 back, not 120.
        ([20, 0, 0, 0], 80, 90, 0b000111, 0b000),
        # 520 is ten coins of 50 and one of 20: not there, then there.
        ([0, 0, 0, 12], 20, 225, 0b111111, 0b000),
        ([0, 0, 1, 10], 20, 400, 0b111111, 0b001),
    ],
)  # fmt: skip
def test_what_is_taken_depends_on_what_can_be_given_back(bus_side, tubes, credit, dearest, coins, bills):
    async def script(side):
        side.pay.enable(True, None, credit, dearest)
        await side.clock.sleep(3)
        return (sum(side.devices.changer.takes(n) << n for n in range(16)),
                sum(side.devices.validator.takes(n) << n for n in range(16)))  # fmt: skip

    assert bus_side(script, {"changer": {"tubes": tubes}, "validator": {}}) == (coins, bills)


def test_what_is_owed_is_not_there_for_change(bus_side):
    """600 in the tubes: a bill of 500 could be given back, but not beside 200 that are owed and cannot be paid now."""

    async def script(side):
        side.pay.enable(True, None, 0, 225)
        await side.clock.sleep(3)
        assert side.devices.validator.takes(0)
        side.devices.changer.trouble("TUBE JAM")
        await side.clock.sleep(1)
        assert not side.devices.validator.takes(0)
        side.pay.payout(200)
        side.devices.changer.trouble("TUBE JAM", False)
        await side.clock.sleep(0.5)
        assert not side.devices.validator.takes(0)
        await side.clock.sleep(6)
        return side.paid(), side.failed()

    assert bus_side(script, {"changer": {"tubes": [0, 0, 0, 12]}, "validator": {}}) == (200, set())


def test_a_bill_that_nobody_wants_any_more_goes_back_from_escrow(bus_side):
    async def script(side):
        await side.clock.sleep(3)
        side.devices.validator.insert(0)
        await side.clock.sleep(0.3)
        side.pay.enable(False)
        await side.clock.sleep(5)
        bills = [h.data["to"] for h in side.happenings if h.kind == "bill"]
        return bills[-1], [t for t in side.told if t[0] == "credit"], side.failed()

    to, credits, failed = bus_side(script, {"validator": {}})
    assert (to, credits) == ("returned", [])
    assert not {one for one in failed if one[1] == "board"}


# ---- payouts


@pytest.mark.parametrize("level", [2, 3])
@pytest.mark.parametrize("amount", [5, 385, 1275, 1700])
def test_a_payout_is_paid_once_and_to_the_last_coin(bus_side, level, amount):
    async def script(side):
        await side.clock.sleep(3)
        side.pay.payout(amount)
        await side.clock.sleep(25)
        told = [t for t in side.told if t[0] == "paid"]
        return side.paid(), sum(paid for _, paid, _ in told), told[-1][2], side.failed()

    assert bus_side(script, {"changer": {"level": level}}) == (amount, amount, 0, set())


@pytest.mark.parametrize("level", [2, 3])
def test_one_command_asks_for_no_more_than_it_can_carry(bus_side, level):
    """15 coins in a DISPENSE, 255 units in a PAYOUT (MDB/ICP 4.3 §5)."""

    async def script(side):
        await side.clock.sleep(3)
        side.pay.payout(1700)
        await side.clock.sleep(25)
        return [data for _, data in side.sent if data[0] == 0x0D or data[:2] == b"\x0f\x02"]

    asked = bus_side(script, {"changer": {"level": level}})
    if level == 3:  # 340 units: 255 at most, so 250 in coins of 50 and 20 and 10 ... of what the tubes hold
        assert sum(data[2] for data in asked) == 340
    else:  # 20 of each type, the dearest first: 15 and 5
        assert asked == [bytes((0x0D, n)) for n in (0xF3, 0x53, 0xF2, 0x52, 0xF1, 0x51, 0xF0, 0x50)]


@pytest.mark.parametrize("level", [2, 3])
def test_a_jam_cuts_a_payout_short_and_the_rest_stays_owed(bus_side, level):
    async def script(side):
        await side.clock.sleep(3)
        side.pay.payout(500)  # ten coins of 50, 0.15 s each
        await side.clock.sleep(0.8)
        side.devices.changer.trouble("TUBE JAM")
        await side.clock.sleep(10)
        short = side.paid()
        assert 0 < short < 500
        assert [t for t in side.told if t[0] == "paid"][-1] == ("paid", short, 500 - short)
        assert (FAULT, 0x07) in side.conditions(CHANGER)
        side.devices.changer.trouble("TUBE JAM", False)
        await side.clock.sleep(10)
        assert [t for t in side.told if t[0] == "paid"][-1][2] == 0
        return side.paid(), {one for one in side.failed() if one[1] == "board"}

    assert bus_side(script, {"changer": {"level": level}}) == (500, set())


@pytest.mark.parametrize("trouble", ["jam", "silence"])
def test_what_cannot_be_paid_now_is_told_as_owed(bus_side, trouble):
    """The jam or the silence begins just before the payout is asked for: the board hears of it when it is found out."""

    async def script(side):
        await side.clock.sleep(3)
        if trouble == "jam":
            side.devices.changer.trouble("TUBE JAM")
        else:
            side.devices.changer.stop()
        side.pay.payout(100)
        await side.clock.sleep(4)
        assert side.told[-1] in (("paid", 0, 100), ("device", CHANGER, LOST, 0))
        return [t for t in side.told if t[0] == "paid"]

    assert bus_side(script, {"changer": {}}) == [("paid", 0, 100)]


@pytest.mark.parametrize("level", [2, 3])
def test_what_the_tubes_do_not_hold_is_never_asked_for(bus_side, level):
    async def script(side):
        await side.clock.sleep(3)
        side.pay.payout(300)
        await side.clock.sleep(10)
        assert side.paid() == 120 and side.told[-1][2] == 180
        side.devices.changer.insert(3)  # 50 more
        await side.clock.sleep(5)
        return side.paid(), side.told[-1], side.failed()

    assert bus_side(script, {"changer": {"level": level, "tubes": [0, 0, 1, 2]}}) == (170, ("paid", 50, 130), set())


@pytest.mark.parametrize("level", [2, 3])
@pytest.mark.parametrize("at", [0.05, 0.5, 1.2])
@pytest.mark.parametrize("away", [0.05, 1.0, 8.0])
def test_a_changer_that_restarts_in_a_payout_pays_what_is_left(bus_side, level, at, away):
    async def script(side):
        await side.clock.sleep(3)
        side.pay.payout(500)
        await side.clock.sleep(at)
        side.devices.changer.stop()
        await side.clock.sleep(away)
        side.devices.changer.start()
        await side.clock.sleep(15)
        return side.paid(), {one for one in side.failed() if one[1] == "board"}

    assert bus_side(script, {"changer": {"level": level}}) == (500, set())


# ---- readers


def card(side, seat="cashless1", funds=500):
    return getattr(side.devices, seat).card(funds)


async def sold(side, price=125, delivered=True):
    side.pay.vend_request(price, 7)
    await side.clock.sleep(1.5)
    assert ("approved", price) in side.told
    side.pay.vend_success() if delivered else side.pay.vend_failure()
    await side.clock.sleep(0.5)


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize("level", [1, 2, 3])
def test_several_vends_in_one_session(bus_side, level, wide):
    async def script(side):
        await side.clock.sleep(3)
        card(side)
        await side.clock.sleep(0.5)
        assert side.pay.multivend
        for _ in range(3):
            await sold(side)
            side.told.remove(("approved", 125))
        assert ("session_end",) not in side.told
        left = side.devices.cashless1.funds
        await side.clock.sleep(16)  # nothing more is chosen: the session ends (common practice: 15 s)
        assert side.told[-1] == ("session_end",)
        return left, [t for t in side.told if t[0] == "charged"], side.failed()

    settings = {"level": level} | ({"wide": True} if wide and level == 3 else {})
    assert bus_side(script, {"cashless1": settings}) == (125, [("charged", 125)] * 3, set())


def test_a_reader_for_one_vend_a_session(bus_side):
    async def script(side):
        await side.clock.sleep(3)
        card(side)
        await side.clock.sleep(0.5)
        return side.pay.multivend

    assert bus_side(script, {"cashless1": {"multivend": False}}) is False


def test_a_failed_delivery_is_not_charged(bus_side):
    async def script(side):
        await side.clock.sleep(3)
        card(side)
        await side.clock.sleep(0.5)
        await sold(side, delivered=False)
        side.pay.session_complete()
        await side.clock.sleep(1)
        return [h.data["state"] for h in side.happenings if h.kind == "card"], side.told[-1], side.failed()

    states, last, failed = bus_side(script, {"cashless1": {}})
    assert "charged" not in states and states[-1] == "out" and last == ("session_end",) and failed == set()


def test_two_readers_one_session_at_a_time(bus_side):
    """While one has a session the other is disabled; one that begins just then is ended politely."""

    async def script(side):
        one, two = side.devices.cashless1, side.devices.cashless2
        await side.clock.sleep(3)
        assert one.takes and two.takes
        card(side)
        await side.clock.sleep(0.5)
        assert not two.takes
        side.pay.session_complete()
        await side.clock.sleep(0.5)
        assert one.takes and two.takes
        await side.clock.sleep(0.05)  # the first is the next to be polled
        side.told.clear()
        card(side, funds=300)
        card(side, "cashless2", 400)  # both before the board knows of either
        await side.clock.sleep(1)
        assert [t for t in side.told if t[0].startswith("session")] == [("session", 300)]
        states = [h.data["state"] for h in side.happenings if h.seat == "cashless2"]
        assert states[-1] == "out"
        await sold(side)
        side.pay.session_complete()
        await side.clock.sleep(1)
        assert side.told[-1] == ("session_end",)
        return side.failed()

    assert bus_side(script, {"cashless1": {}, "cashless2": {}}) == set()


@pytest.mark.parametrize("at", [0.02, 0.3, 0.75, 0.85, 1.2])
def test_a_vend_that_is_no_longer_wanted(bus_side, at):
    """Wherever the cancel falls: before the request, while the reader thinks (0.8 s), with its answer, after it."""

    async def script(side):
        await side.clock.sleep(3)
        card(side)
        await side.clock.sleep(0.5)
        side.pay.vend_request(125, 7)
        await side.clock.sleep(at)
        side.pay.vend_cancel()
        await side.clock.sleep(2)
        side.pay.session_complete()
        await side.clock.sleep(1)
        assert side.told[-1] == ("session_end",)
        return [h.data["state"] for h in side.happenings if h.kind == "card"], side.failed()

    states, failed = bus_side(script, {"cashless1": {}})
    assert "charged" not in states and failed == set()


def test_cash_sales_are_told_to_readers_that_ask(bus_side):
    async def script(side):
        await side.clock.sleep(3)
        side.pay.cash_sold(125, 7)
        side.pay.cash_sold(150, 8)
        await side.clock.sleep(1)
        reports = [data for _, data in side.sent if data[1:2] == b"\x05" and data[0] & 7 == 3]
        return reports, side.failed()

    # 13 05 price item; the reader at 60 does not ask
    assert bus_side(script, {"cashless1": {"cash_sales": True}, "cashless2": {}}) == (
        [b"\x13\x05\x00\x7d\x00\x07", b"\x13\x05\x00\x96\x00\x08"], set(),
    )  # fmt: skip


def test_time_and_date(bus_side):
    """2026-01-05 08:00:00 UTC is a Monday in ISO week 2. Ten BCD bytes: date, time, weekday, week, summer, holiday."""

    async def script(side):
        await side.clock.sleep(3)
        side.devices.cashless1.report("TIME REQUEST")
        await side.clock.sleep(1)
        assert not [data for _, data in side.sent if data[:2] == b"\x17\x03"]  # nobody has set the clock
        side.pay.set_clock(1_767_600_000 - 1)
        await side.clock.sleep(1.5)
        return [data for _, data in side.sent if data[:2] == b"\x17\x03"], side.failed()

    stamps, failed = bus_side(script, {"cashless1": {}})
    assert stamps in ([bytes.fromhex("1703260105075959010 20000".replace(" ", ""))], [bytes.fromhex("17032601050800000102" + "0000")])
    assert failed == set()


@pytest.mark.parametrize("moment", [0.3, 0.9, 1.2])
@pytest.mark.parametrize("away", [0.05, 7.0])
def test_a_reader_that_restarts_in_a_session(bus_side, moment, away):
    """Before the vend is asked for, while it is, and with the coil turning: the session is over, and sales go on."""

    async def script(side):
        await side.clock.sleep(3)
        card(side)
        await side.clock.sleep(0.5)
        side.pay.vend_request(125, 7)
        await side.clock.sleep(moment)
        side.devices.cashless1.stop()
        await side.clock.sleep(away)
        side.devices.cashless1.start()
        side.pay.vend_success()
        await side.clock.sleep(4)
        assert ("session_end",) in side.told
        assert side.devices.cashless1.takes
        card(side)
        await side.clock.sleep(0.5)
        side.told.clear()
        await sold(side)
        return {one for one in side.failed() if one[1] == "board"}

    assert bus_side(script, {"cashless1": {}}) == set()


# ---- another board's habits are a subclass


def test_desks_master_and_times_are_a_subclass_away(bus_side):
    class Deaf(BusMaster):
        def hear(self, burst):
            pass

    class Hasty(PaymentBus):
        MASTER, INTERVAL, BREAK_MARGIN = Deaf, 72_000 * 20, -72_000 * 50
        DESKS = {seat: desk for seat, desk in PaymentBus.DESKS.items() if seat in ("changer", "validator")}

    async def script(side):
        await side.clock.sleep(5)
        return {data[0] & 0xF8 for _, data in side.sent}, side.told

    assert bus_side(script, {"changer": {}}, Hasty) == ({CHANGER, VALIDATOR}, [])


# ---- a noisy line: words of either side are lost or have a bit turned

# On the wire a spoilt block and a wrong one look alike; these rules are about the wire itself.
OF_THE_WIRE = {"BUS-SUM-OUT", "BUS-MODE-OUT", "BUS-ACK", "BUS-GAP", "BUS-FRAMING", "BUS-LENGTH", "BUS-UNDERSTOOD"}


def noise(rng, share):
    def hurt(burst):
        if burst.is_break or rng.random() > share:
            return burst
        if rng.random() < 0.3:
            return None
        words = list(burst.words)
        words[rng.randrange(len(words))] ^= 1 << rng.randrange(9)
        return burst._replace(words=tuple(words))

    return hurt


@pytest.mark.parametrize("seed", range(4))
def test_noise_makes_the_board_break_no_rule(bus_side, seed):
    rng = random.Random(seed)

    async def script(side):
        side.devices.line.hurts.append(noise(rng, 0.04))
        await side.clock.sleep(4)
        d, pay = side.devices, side.pay
        acts = [
            lambda: d.changer.insert(rng.randrange(6)), lambda: d.validator.insert(rng.randrange(3)),
            lambda: pay.payout(rng.randrange(1, 60) * 5), lambda: d.cashless1.card(500), lambda: d.cashless2.card(500),
            lambda: pay.vend_request(125, 3), pay.vend_success, pay.vend_failure, pay.vend_cancel, pay.session_complete,
            lambda: pay.enable(rng.random() < 0.7),
        ]  # fmt: skip
        for _ in range(25):
            rng.choice(acts)()
            await side.clock.sleep(rng.random() * 1.5)
        side.failed()
        return {v.rule for v in side.judge.verdicts() if v.judged == "board" and v.outcome == "fail"}

    seats = {"changer": {"level": 2 + seed % 2}, "validator": {"level": 1 + seed % 2}, "cashless1": {"level": 1 + seed % 3},
             "cashless2": {}}  # fmt: skip
    assert bus_side(script, seats) <= OF_THE_WIRE


# ---- set-ups that this board cannot use


def says(make, seat, **wrong):
    """A device whose SETUP tells these values instead of its own."""

    class Wrong(make):
        def _setup(self):
            keep, self.settings = self.settings, self.settings | wrong
            answer = super()._setup()
            self.settings = keep
            return answer

    return {seat: (Wrong, {})}


@pytest.mark.parametrize(
    ("make", "seat", "wrong", "code"),
    [
        (Changer, "changer", {"level": 1}, 0xF3), (Changer, "changer", {"scaling": 0}, 0xF2),
        (Validator, "validator", {"scaling": 0}, 0xF2),
    ],
)  # fmt: skip
def test_a_set_up_that_cannot_be_used(bus_side, make, seat, wrong, code):
    async def script(side):
        await side.clock.sleep(4)
        ons = [data for _, data in side.sent if data[0] in (0x0C, 0x34) and any(data[1:3])]
        return side.conditions(ADDRESS[seat]), ons

    assert bus_side(script, says(make, seat, **wrong)) == ([(FAULT, code)], [])


def test_a_newer_device_is_spoken_to_at_the_level_that_both_know(bus_side):
    async def script(side):
        await side.clock.sleep(4)
        return side.conditions(CHANGER), side.devices.changer.takes(0)

    assert bus_side(script, says(Changer, "changer", level=4)) == ([(READY, 0)], True)


# ---- payouts whose end is not told


@pytest.mark.parametrize("level", [2, 3])
@pytest.mark.parametrize("lost", ["command", "answer", "status"])
def test_a_payout_whose_words_are_lost_is_paid_once(bus_side, level, lost):
    """The command, its ACK, or what the changer says of it afterwards does not arrive, for a second."""

    async def script(side):
        await side.clock.sleep(3)
        until = [None]

        def hurt(burst):
            name = bytes(word & 0xFF for word in burst.words[:2])
            pays = burst.out and (name[0] == 0x0D or name == b"\x0f\x02")
            tells = not burst.out and len(burst.words) > 4
            if pays and until[0] is None:
                until[0] = side.clock.now() + TICKS_PER_SECOND
                return None if lost == "command" else burst
            if until[0] is None or side.clock.now() > until[0] + (TICKS_PER_SECOND if lost == "status" else 0):
                return burst
            if lost == "answer" and not burst.out and len(burst.words) == 1:
                until[0] = 0
                return None
            return None if lost == "status" and tells else burst

        side.devices.line.hurts.append(hurt)
        side.pay.payout(300)
        await side.clock.sleep(15)
        return side.paid(), [t for t in side.told if t[0] == "paid"][-1][2]

    assert bus_side(script, {"changer": {"level": level}}) == (300, 0)
