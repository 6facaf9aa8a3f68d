"""Changer, validator and reader at work with the board's bus side, on one line in virtual time.

Values are invented; what has to follow from them is computed by hand. Times and rules: MDB/ICP 4.3.
"""

import random
from functools import partial
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.events import seconds
from benchsim.lines import Line, Trace
from benchsim.links.bus import BlockReader
from benchsim.schema import load_book
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.payment import PaymentBus
from benchsim.seats.validator import Validator

BOOK = load_book()
COIN_5, COIN_10, COIN_20, COIN_50, COIN_100 = range(5)  # types of the default changer
BILL_5, BILL_10 = range(2)


class Shop:
    """All payment devices and the board's bus side; what was told up, what happened, what was said."""

    def __init__(self, clock, seed=1, **settings):
        self.clock, self.trace = clock, Trace(clock)
        self.line = Line("bus", BOOK.bus.word.ticks, clock, self.trace)
        self.trace.listeners.append(self)
        self.rng = random.Random(seed)
        self.reader, self.blocks, self.happenings, self.told = BlockReader(BOOK), [], [], []
        make = {"changer": Changer, "validator": Validator, "cashless1": Cashless}
        self.changer, self.validator, self.card_reader = (
            kind(clock, self.line, self.rng, settings.get(seat, {}), partial(self.trace.happening, seat))
            for seat, kind in make.items()
        )
        self.devices = [self.changer, self.validator, self.card_reader]
        self.pay = None

    def power_on(self):
        for device in self.devices:
            device.start()
        self.board_on()

    def board_on(self):
        self.pay = PaymentBus(self.clock, self.line, BOOK, self.rng, self.hear)
        self.pay.enable(True)

    def hear(self, name, **data):
        self.told.append((name, data))

    def burst(self, burst):
        self.blocks += self.reader.feed(burst)

    def happening(self, happening):
        self.happenings.append(happening)

    def names(self, *wanted):
        return [(name, *data.values()) for name, data in self.told if name in wanted]

    def happened(self, kind, key):
        return [h.data[key] for h in self.happenings if h.kind == kind]

    def commands(self, seat):
        """Names and start of the good commands to a device."""
        address = BOOK.address_of(seat)
        device = BOOK.device_at(address)
        mode = device.mode(max(device.levels), 1)
        return [
            (device.parse_command(b.body, mode).name, b.start)
            for b in self.blocks
            if b.kind == "command" and b.address == address and b.good
        ]


def play(*steps, start=True, **settings):
    """Steps: seconds to wait, or something to do with the shop. Ready 2 s after power-on."""

    async def main(clock):
        shop = Shop(clock, **settings)
        if start:
            shop.power_on()
            await clock.sleep(2)
        for step in steps:
            if callable(step):
                step(shop)
            else:
                await clock.sleep(step)
        return shop

    return run(main)


def coin(kind):
    return lambda shop: shop.changer.insert(kind)


# ---- start and rest


def test_start_up_in_the_order_of_the_standard():
    shop = play(3)
    first = {
        seat: [n for n, _ in shop.commands(seat) if n != "POLL"]
        for seat in ("changer", "validator", "cashless1")
    }
    assert first["changer"] == ["RESET", "SETUP", "TUBE STATUS", "IDENTIFICATION", "FEATURES", "COIN TYPE"]
    assert first["validator"] == ["RESET", "SETUP", "IDENTIFICATION", "STACKER", "SECURITY", "BILL TYPE"]
    assert first["cashless1"] == ["RESET", "SETUP CONFIG", "SETUP PRICES", "IDENTIFICATION", "READER ENABLE"]
    assert sorted(shop.names("device")) == [("device", a, 1, 0) for a in (0x08, 0x10, 0x30)]
    assert all(b.broken == () and b.kind != "stray" for b in shop.blocks)


def test_break_settle_and_poll_rate():
    """Break at least 100 ms, 200 ms to the first command, POLL every 25 to 200 ms (§3)."""
    shop = play(5)
    broke, first = shop.blocks[:2]
    assert broke.kind == "break" and seconds(broke.end - broke.start) >= 0.1
    assert seconds(first.start - broke.end) >= 0.2
    for seat in ("changer", "validator", "cashless1"):
        polls = [start for name, start in shop.commands(seat) if name == "POLL"]
        gaps = [seconds(b - a) for a, b in pairwise(polls)]
        assert len(gaps) > 30 and min(gaps) >= 0.025 and max(gaps) <= 0.2


def test_just_reset_is_given_once():
    shop = play(1)
    for seat, code in (("changer", 0x0B), ("validator", 0x06), ("cashless1", 0x00)):
        address = BOOK.address_of(seat)
        told = [b.body for b in shop.blocks if b.kind == "answer" and b.address == address]
        assert told.count(bytes((code,))) == 1 and told[0] == bytes((code,))


def test_wide_money_is_set_up_twice_and_used():
    """32-bit money: SETUP prices again in the long form (§7)."""
    shop = play(
        lambda s: s.card_reader.card(90_000), 1, lambda s: s.pay.vend_request(70_000, 3), 1.5,
        cashless1={"level": 3, "wide": True},
    )  # fmt: skip
    assert shop.names("session", "approved") == [("session", 90_000), ("approved", 70_000)]
    lengths = [len(b.words) for b in shop.blocks if b.data[:2] == b"\x11\x01"]
    assert lengths == [7, 13]
    assert all(b.broken == () for b in shop.blocks)


# ---- coins


def test_a_coin_goes_to_its_tube_and_is_credited():
    shop = play(coin(COIN_20), 1)
    assert shop.names("credit") == [("credit", "coin", 20, True)]
    assert shop.happened("coin", "to") == ["tube"] and shop.changer.tubes == [20, 20, 21, 20]


def test_a_coin_without_room_goes_to_the_cash_box():
    shop = play(coin(COIN_20), 1, coin(COIN_100), 1, changer={"tubes": [0, 0, 60, 0]})
    assert shop.names("credit") == [("credit", "coin", 20, False), ("credit", "coin", 100, False)]
    assert shop.happened("coin", "to") == ["box", "box"] and shop.changer.box == 120


def test_a_coin_is_given_back_when_not_enabled():
    shop = play(lambda s: s.pay.enable(False), 0.5, coin(COIN_20), 1)
    assert shop.names("credit") == [] and shop.happened("coin", "to") == ["return"]


def test_coins_above_the_most_credit_are_given_back():
    shop = play(lambda s: s.pay.enable(True, 50), 0.5, coin(COIN_100), coin(COIN_50), 1)
    assert shop.names("credit") == [("credit", "coin", 50, True)]


def test_the_lever_is_told():
    assert play(lambda s: s.changer.lever(), 0.5).names("lever") == [("lever",)]


def test_a_jam_is_told_when_it_begins_and_ends():
    shop = play(
        lambda s: s.changer.trouble("COIN JAM"),
        1,
        coin(COIN_5),
        lambda s: s.changer.trouble("COIN JAM", False),
        1,
    )
    assert shop.names("device")[3:] == [("device", 0x08, 2, 0x0C), ("device", 0x08, 1, 0)]
    assert shop.happened("coin", "to") == ["return"]


# ---- payouts


@pytest.mark.parametrize("level", [2, 3])  # DISPENSE, and alternative payout
def test_payout_in_the_fewest_coins(level):
    """1.85 = 3 x 0.50 + 0.20 + 0.10 + 0.05."""
    shop = play(lambda s: s.pay.payout(185), 8, changer={"level": level})
    assert sorted(shop.happened("payout", "value")) == [5, 10, 20, 50, 50, 50]
    assert sum(amount for _, amount, _ in shop.names("paid")) == 185 and shop.names("paid")[-1][2] == 0
    assert shop.changer.tubes == [19, 19, 19, 17]


@pytest.mark.parametrize("level", [2, 3])
def test_payout_of_what_there_is_and_the_rest_when_coins_come(level):
    shop = play(
        lambda s: s.pay.payout(150), 5, lambda s: s.told.append(("mark", {})), coin(COIN_50), 4,
        changer={"level": level, "tubes": [0, 2, 0, 1]},
    )  # fmt: skip
    at = shop.told.index(("mark", {}))
    first = [d for n, d in shop.told[:at] if n == "paid"]
    assert sum(d["amount"] for d in first) == 70 and first[-1]["owed"] == 80
    assert shop.names("paid")[-1] == ("paid", 50, 30)


def test_payout_without_a_changer_stays_owed():
    shop = play(lambda s: s.changer.stop(), 3, lambda s: s.pay.payout(50), 1)
    assert shop.names("paid") == [("paid", 0, 50)]


def test_a_power_cut_of_the_changer_in_a_payout_is_settled_by_its_tubes():
    """Two of four coins went before the cut; the others follow."""
    shop = play(
        lambda s: s.pay.payout(200), 0.5, lambda s: s.changer.stop(), 0.3, lambda s: s.changer.start(), 6,
        changer={"coin_s": 0.2},
    )  # fmt: skip
    assert shop.happened("payout", "value") == [50] * 4
    paid = shop.names("paid")
    assert 0 < paid[0][1] < 200 and sum(amount for _, amount, _ in paid) == 200 and paid[-1][2] == 0


def test_a_lost_payout_acknowledgement_pays_once():
    """The changer heard it, its ACK was lost: nothing is paid twice."""

    def lose(shop):
        shop.line.hurts.append(lambda b: None if not b.out and shop.line.hurts and drop(b) else b)

    lost = []

    def drop(burst):
        asked = [b for b in shop_at[0].blocks if b.kind == "command"]
        if asked and asked[-1].data[:2] == b"\x0f\x02" and not lost:
            lost.append(burst)
            return True
        return False

    shop_at = []
    shop = play(shop_at.append, lose, lambda s: s.pay.payout(100), 5)
    assert lost and shop.happened("payout", "value") == [50, 50]
    assert sum(amount for _, amount, _ in shop.names("paid")) == 100 and shop.names("paid")[-1][2] == 0


# ---- bills


def test_a_bill_is_credited_when_stacked():
    shop = play(lambda s: s.validator.insert(BILL_10), 1.4, lambda s: s.told.append(("mark", {})), 3)
    assert shop.happened("bill", "to") == ["escrow", "stacked"]
    assert [n for n, _ in shop.told if n not in ("tubes", "device")] == ["escrow", "mark", "credit"]
    assert shop.names("credit") == [("credit", "bill", 1000)] and shop.validator.stacked == 1


def test_a_bill_is_returned_at_the_boards_word():
    def decide(shop):
        shop.pay.auto_escrow = False

    shop = play(decide, lambda s: s.validator.insert(BILL_5), 2, lambda s: s.pay.escrow(False), 2.5)
    assert shop.happened("bill", "to") == ["escrow", "returned"] and shop.names("credit") == []
    assert [n for n, _ in shop.commands("validator")].count("ESCROW") == 1


def test_a_full_stacker_ends_the_taking_of_bills():
    shop = play(lambda s: s.validator.insert(BILL_5), 4, lambda s: s.validator.insert(BILL_5), 2,
                validator={"capacity": 1})  # fmt: skip
    assert shop.names("full") == [("full",)] and not shop.validator.takes(BILL_5)
    assert shop.happened("bill", "to") == ["escrow", "stacked", "returned"]


def test_no_bill_is_taken_while_disabled():
    shop = play(lambda s: s.pay.enable(False), 0.5, lambda s: s.validator.insert(BILL_5), 3)
    assert shop.happened("bill", "to") == ["returned"] and shop.names("escrow", "credit") == []


# ---- cards


def test_a_card_session_with_a_sale():
    shop = play(
        lambda s: s.card_reader.card(500), 1, lambda s: s.pay.vend_request(125, 7), 1.5,
        lambda s: s.pay.vend_success(), lambda s: s.pay.session_complete(), 1,
    )  # fmt: skip
    assert shop.names("session", "approved", "session_end") == [
        ("session", 500),
        ("approved", 125),
        ("session_end",),
    ]
    assert shop.happened("card", "state") == ["in", "approved", "charged", "out"]
    assert shop.happened("card", "funds")[-1] == 375 and shop.card_reader.takes


def test_funds_that_the_card_does_not_tell():
    assert play(lambda s: s.card_reader.card(None), 1).names("session") == [("session", None)]


def test_too_little_on_the_card_is_denied():
    shop = play(lambda s: s.card_reader.card(100), 1, lambda s: s.pay.vend_request(125, 7), 1.5)
    assert shop.names("approved", "denied") == [("denied",)]


def test_a_vend_that_failed_is_not_charged():
    shop = play(
        lambda s: s.card_reader.card(500), 1, lambda s: s.pay.vend_request(125, 7), 1.5,
        lambda s: s.pay.vend_failure(), 0.5, lambda s: s.pay.session_complete(), 0.5,
    )  # fmt: skip
    assert shop.happened("card", "state") == ["in", "approved", "uncharged", "out"]
    assert shop.happened("card", "funds")[-1] == 500


def test_a_pulled_card_ends_the_session():
    shop = play(lambda s: s.card_reader.card(500), 1, lambda s: s.card_reader.pull(), 0.5)
    assert shop.names("session_end") == [("session_end",)] and shop.card_reader.takes


def test_a_reader_that_never_answers_is_cancelled():
    """Its response time is 5 s; VEND cancel is answered by "denied" (§7)."""

    def spoil(shop):
        shop.card_reader.never_answers = True

    shop = play(spoil, lambda s: s.card_reader.card(500), 1, lambda s: s.pay.vend_request(125, 7), 6)
    assert shop.names("denied") == [("denied",)] and shop.card_reader.state == 4  # Session Idle
    assert "VEND CANCEL" in [n for n, _ in shop.commands("cashless1")]


def test_a_lost_session_is_reset():
    """SESSION COMPLETE out of sequence: `0B`, then RESET (§7)."""
    shop = play(
        lambda s: s.card_reader.card(500), 1, lambda s: s.card_reader.lose_session(),
        lambda s: s.pay.session_complete(), 2,
    )  # fmt: skip
    assert [n for n, _ in shop.commands("cashless1")].count("RESET") == 2
    assert shop.names("session_end") == [("session_end",)] and shop.card_reader.takes


def test_a_session_left_alone_is_closed_within_a_minute():
    assert play(lambda s: s.card_reader.card(500), 55).names("session_end") == [("session_end",)]


def test_no_vend_without_a_session():
    assert play(lambda s: s.pay.vend_request(125, 7), 0.5).names("denied") == [("denied",)]


# ---- silence and power


@pytest.mark.parametrize(("seat", "limit"), [("changer", 2), ("validator", 5), ("cashless1", 5)])
def test_silent_devices_are_asked_on_then_reset(seat, limit):
    """Non-response times of §3: no RESET before, then one at least every 10 s; found again at once."""
    device = {"changer": 0, "validator": 1, "cashless1": 2}[seat]
    shop = play(lambda s: s.devices[device].stop(), 25, lambda s: s.devices[device].start(), 3)
    address = BOOK.address_of(seat)
    last = max(b.end for b in shop.blocks if not b.out and b.address == address and seconds(b.end) < 2.1)
    resets = [start for name, start in shop.commands(seat) if name == "RESET" and start > last]
    assert limit <= seconds(resets[0] - last) <= limit + 10
    assert max(seconds(b - a) for a, b in pairwise(resets)) <= 10
    assert shop.names("device")[3:] == [("device", address, 0, 0), ("device", address, 1, 0)]


def test_a_board_without_power_is_silent():
    shop = play(lambda s: s.pay.stop(), lambda s: s.blocks.clear(), coin(COIN_5), 5)
    assert [b for b in shop.blocks if b.out] == [] and shop.names("credit") == []


def test_a_coin_held_by_the_changer_reaches_a_board_that_did_not_hear_it():
    """What was not acknowledged is offered again (§2)."""
    lost = []

    def drop(burst):
        if burst.out or burst.words[0] & 0xC0 != 0x40 or len(lost) == 3:
            return burst
        lost.append(burst)
        return None

    shop = play(lambda s: s.line.hurts.append(drop), coin(COIN_20), 2)
    assert len(lost) == 3 and shop.names("credit") == [("credit", "coin", 20, True)]


def test_restart_of_the_board_resets_all():
    shop = play(lambda s: s.pay.stop(), 1, lambda s: s.board_on(), 2, coin(COIN_20), 1)
    assert len(shop.names("device")) == 6 and shop.names("credit") == [("credit", "coin", 20, True)]


def test_a_coin_on_its_way_in_a_power_cut_is_given_back():
    assert play(coin(COIN_20), 0.1, lambda s: s.changer.stop(), 1).happened("coin", "to") == ["return"]


# ---- settings


def test_wrong_settings_are_told():
    with pytest.raises(UsageError, match="changer: unknown setting 'tube'"):
        play(changer={"tube": [1]})
    with pytest.raises(UsageError, match="validator: level"):
        play(validator={"level": 9})
    with pytest.raises(UsageError, match="no state"):
        play(lambda s: s.validator.trouble("COIN JAM"))


# ---- anything at all

ACTIONS = st.one_of(
    st.floats(0.01, 3).map(lambda t: round(t, 2)),
    st.integers(0, 7).map(coin),
    st.integers(0, 3).map(lambda b: lambda s: s.validator.insert(b)),
    st.integers(0, 2000).map(lambda f: lambda s: s.card_reader.card(f)),
    st.integers(1, 300).map(lambda a: lambda s: s.pay.payout(5 * a)),
    st.integers(1, 900).map(lambda p: lambda s: s.pay.vend_request(p, 1)),
    st.sampled_from([
        lambda s: s.card_reader.pull(), lambda s: s.pay.vend_success(), lambda s: s.pay.vend_failure(),
        lambda s: s.pay.session_complete(), lambda s: s.changer.lever(), lambda s: s.pay.enable(False),
        lambda s: s.pay.enable(True), lambda s: s.changer.stop(), lambda s: s.changer.start(),
        lambda s: s.validator.stop(), lambda s: s.validator.start(), lambda s: s.card_reader.lose_session(),
    ]),
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(st.lists(ACTIONS, max_size=25))
def test_money_is_neither_made_nor_lost(actions):
    """Whatever customers and power do: coins in are in tubes or box, what left is what fell out."""
    shop = play(*actions, lambda s: s.changer.start(), 5)
    values = [5, 10, 20, 50, 100, 200]
    kept = sum(h.data["value"] for h in shop.happenings if h.kind == "coin" and h.data["to"] != "return")
    out = sum(shop.happened("payout", "value"))
    tubes = sum(n * v for n, v in zip(shop.changer.tubes, values, strict=False))
    assert tubes + shop.changer.box == 20 * (5 + 10 + 20 + 50) + kept - out
    assert all(count >= 0 for count in shop.changer.tubes)
    assert sum(amount for _, amount, _ in shop.names("paid")) <= out


def test_same_seed_same_words():
    steps = (coin(COIN_20), 1, lambda s: s.validator.insert(BILL_5), 4)
    assert play(*steps).blocks == play(*steps).blocks
    assert play(*steps, seed=2).blocks != play(*steps).blocks
