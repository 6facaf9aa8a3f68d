"""The reader's options and oddities, one at a time. Commands and answers by hand from MDB/ICP 4.3 §7."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds reader_rig
from reader_rig import Rig, play

from benchsim.clock import run
from benchsim.errors import UsageError

REQUEST, CANCEL, SUCCESS, FAILURE, COMPLETE = "13 00 00 7D 00 11", "13 01", "13 02 00 11", "13 03", "13 04"
APPROVED, DENIED, CANCEL_ME = "05 00 7d", "06", "04"


async def ready(rig, features=0, level=3, display="00 00"):
    """Set up and enabled."""
    await rig.drain()
    await rig.ask(f"11 00 {level:02X} {display} 00")
    await rig.ask("11 01 FF FF 00 00")
    if features:
        await rig.ask(f"17 04 00 00 00 {features:02X}")
    await rig.ask("14 01")


async def session(rig, funds=500, **how):
    await ready(rig, **how)
    assert rig.reader.card(funds)
    return await rig.drain()


def csh(rig):
    return [rule for rule in rig.broken() if rule.startswith("CSH")]


# ---- set-up, levels, widths


@pytest.mark.parametrize(
    ("controller", "level", "told"),
    [(1, 3, "03 01 f4"), (2, 3, "03 01 f4 00 00 00 00 00 00 00"), (3, 1, "03 01 f4"), (3, 2, "03 01 f4" + " 00" * 7)],
)
def test_both_speak_the_lower_level(controller, level, told):
    async def script(rig):
        await rig.drain()
        config = await rig.ask(f"11 00 {controller:02X} 00 00 00")
        await rig.say("11 01 FF FF 00 00", "14 01")
        rig.reader.card(500)
        return config, await rig.drain(), csh(rig)

    assert play(script, level=level) == (f"01 0{min(controller, level)} 19 78 01 02 05 03", [told], [])


@pytest.mark.parametrize(
    ("options", "bits"),
    [({}, "03"), ({"refunds": False}, "02"), ({"multivend": False}, "01"), ({"display": True}, "07"),
     ({"cash_sales": True}, "0b")],
)  # fmt: skip
def test_options_that_it_tells(options, bits):
    async def script(rig):
        await rig.drain()
        return await rig.ask("11 00 03 00 00 00")

    assert play(script, **options) == f"01 02 19 78 01 02 05 {bits}"


@pytest.mark.parametrize(
    ("options", "bits"),
    [({}, "00"), ({"wide": True}, "02"), ({"negative_vend": True}, "08"), ({"data_entry": True}, "10"),
     ({"always_idle": True}, "20")],
)  # fmt: skip
def test_features_that_it_offers(options, bits):
    """In the last byte of the identification, at level 3."""

    async def script(rig):
        await ready(rig)
        return await rig.ask("17 00" + " 30" * 29)

    assert play(script, level=3, **options).endswith(f"01 00 00 00 00 {bits}")


def test_wide_amounts():
    """Funds 70000 = 00011170; approved 65537 = 00010001."""

    async def script(rig):
        told = await session(rig, 70_000, features=2)
        await rig.ask("13 00 00 01 00 01 00 11")
        told += await rig.drain(1)
        await rig.ask(SUCCESS)
        return told, rig.reader.funds, csh(rig)

    told, funds, broken = play(script, level=3, wide=True)
    assert told == ["03 00 01 11 70 00 00 00 00 00 00 00 65 6e 19 78 00", "05 00 01 00 01"]
    assert (funds, broken) == (70_000 - 65_537, [])


def test_a_scale():
    """Scale 5: funds of 500 are told as 100 (64), a price of 25 units is 125."""

    async def script(rig):
        told = await session(rig)
        await rig.ask("13 00 00 19 00 11")
        told += await rig.drain(1)
        await rig.ask(SUCCESS)
        return [one[:8] for one in told], rig.reader.funds

    assert play(script, scale=5) == (["03 00 64", "05 00 19"], 375)


@pytest.mark.parametrize(
    ("name", "value"),
    [("level", 4), ("scale", 0), ("online_s", [2, 1]), ("online_s", ["a", "b"]), ("decide_s", -1), ("refunds", 1),
     ("answers", ["odd"]), ("pin", 1)],
)  # fmt: skip
def test_wrong_settings_are_told(name, value):
    with pytest.raises(UsageError, match=f"cashless1: .*{name}"):
        play(None, **{name: value})


# ---- decisions


@pytest.mark.parametrize("funds", [125, 500, None])
def test_enough_or_not_known_is_approved(funds):
    async def script(rig):
        await session(rig, funds)
        return await rig.ask(REQUEST), await rig.drain(1)

    assert play(script) == ("ack", [APPROVED])


def test_too_little_is_denied_and_the_session_goes_on():
    async def script(rig):
        await session(rig, 124)
        await rig.ask(REQUEST)
        return await rig.drain(1), await rig.ask("13 00 00 7C 00 11"), await rig.drain(1), rig.happenings

    denied, again, approved, happened = play(script)
    assert (denied, again, approved) == ([DENIED], "ack", ["05 00 7c"])
    assert [state for state, _ in happened] == ["in", "denied", "approved"]


@pytest.mark.parametrize(("funds", "told"), [(500, APPROVED), (100, DENIED)])
def test_an_answer_at_once(funds, told):
    async def script(rig):
        await session(rig, funds)
        return await rig.ask(REQUEST), [rule for rule in csh(rig) if "cashless1" in rule]

    assert play(script, decide_s=0) == (told, [])


def test_online_decisions_take_a_time_by_chance():
    """0.8 s and 1 to 3 s more; the same with the same seed."""

    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        begun = rig.clock.now()
        assert await rig.drain(4) == [APPROVED]
        return [h for h in rig.judge.samples()["CSH-ANSWER", "cashless1"]], begun

    (first,), _ = play(script, online_s=[1, 3], seed=1)
    assert play(script, online_s=[1, 3], seed=1)[0] == [first]
    others = {round(play(script, online_s=[1, 3], seed=seed)[0][0], 1) for seed in range(2, 8)}
    assert len(others) > 2 and all(1.8 <= took <= 4.0 for took in others)


def test_a_reader_that_may_sell_once_denies_the_second_vend():
    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        first = await rig.drain(1)
        await rig.say(SUCCESS, REQUEST)
        return first + await rig.drain(1) + [await rig.ask(COMPLETE)]

    assert play(script, multivend=False) == [APPROVED, DENIED, "07"]


# ---- cancels


@pytest.mark.parametrize("binding", [False, True])
def test_a_cancel_before_the_decision(binding):
    async def script(rig):
        await session(rig)
        answers = await rig.say(REQUEST, CANCEL)
        return answers, await rig.drain(2), rig.reader.at.state

    assert play(script, binding=binding) == (["ack", DENIED], [], "Session Idle")


def test_a_cancel_after_an_approval_that_was_not_told():
    """It takes it back; or, where that is binding, the approval still comes and the controller tells the outcome."""

    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        await rig.clock.sleep(1)
        cancelled = await rig.ask(CANCEL)
        told = await rig.drain(0.5)
        if told:
            await rig.ask(FAILURE)
        return cancelled, told, await rig.ask(COMPLETE), rig.happenings[-1], csh(rig)

    assert play(script) == (DENIED, [], "07", ("out", 500), [])
    assert play(script, binding=True) == ("ack", [APPROVED], "07", ("out", 500), [])


def test_a_cancel_after_a_denial_that_was_not_told():
    async def script(rig):
        await session(rig, 100)
        await rig.ask(REQUEST)
        await rig.clock.sleep(1)
        return await rig.ask(CANCEL), await rig.drain(1), rig.reader.at.state

    assert play(script) == (DENIED, [], "Session Idle")


def test_a_cancel_after_the_approval_is_out_of_sequence():
    """The vend is approved: only success or failure may follow. State 5, Vend."""

    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        await rig.drain(1)
        return await rig.ask(CANCEL)

    assert play(script) == "0b 05"


def test_a_new_vend_is_not_decided_by_the_time_of_the_one_before():
    async def script(rig):
        await session(rig)
        await rig.say(REQUEST, CANCEL)
        await rig.clock.sleep(0.5)
        await rig.ask(REQUEST)
        return await rig.drain(0.5), await rig.drain(0.5)

    assert play(script) == ([], [APPROVED])


# ---- outcomes


@pytest.mark.parametrize(
    ("options", "fault", "answer", "left"),
    [({}, False, "ack", 500), ({"refunds": False}, False, "0a c0", 375), ({}, True, "0a c0", 375)],
)
def test_a_vend_that_failed(options, fault, answer, left):
    """The money is given back; if it cannot be, malfunction C0 (refund failed) says so."""

    async def script(rig):
        rig.reader.refund_fails = fault
        await session(rig)
        await rig.ask(REQUEST)
        await rig.drain(1)
        answer = await rig.ask(FAILURE)
        return answer, rig.reader.funds, await rig.ask(COMPLETE), csh(rig)

    assert play(script, **options) == (answer, left, "07", [])


def test_success_is_charged_once():
    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        await rig.drain(1)
        answers = await rig.say(SUCCESS, SUCCESS)
        return answers, rig.reader.funds

    assert play(script) == (["ack", "0b 04"], 375)


# ---- the customer


@pytest.mark.parametrize("needs_card", [False, True])
def test_a_card_pulled_in_a_vend(needs_card):
    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        rig.reader.pull()
        rig.reader.pull()  # twice is once
        told = await rig.drain(1)
        if APPROVED in told:
            await rig.ask(SUCCESS)
            told += await rig.drain(0.2)
        return told, await rig.ask(COMPLETE), csh(rig)

    assert play(script, needs_card=needs_card) == ([DENIED if needs_card else APPROVED, CANCEL_ME], "07", [])


def test_a_card_pulled_between_vends():
    async def script(rig):
        await session(rig)
        rig.reader.pull()
        return await rig.drain(), await rig.ask(COMPLETE), await rig.drain(), rig.reader.takes

    assert play(script) == ([CANCEL_ME], "07", [], True)


def test_a_second_card_is_refused_while_one_is_in():
    async def script(rig):
        await session(rig)
        return rig.reader.card(700), rig.happenings

    assert play(script) == (False, [("in", 500), ("refused", 700)])


def test_a_session_without_a_step_times_out():
    """After 3 s, and again 3 s after it was asked in vain; each step counts anew."""

    async def script(rig):
        await session(rig)
        first = await rig.drain(2.5)
        await rig.ask(REQUEST)
        denied = await rig.drain(1)
        await rig.ask(SUCCESS)
        return first, denied, await rig.drain(2.5), await rig.drain(1), await rig.drain(3), await rig.ask(COMPLETE)

    assert play(script, session_s=3) == ([], [APPROVED], [], [CANCEL_ME], [CANCEL_ME], "07")


def test_end_session_in_a_later_poll_and_session_complete_twice():
    async def script(rig):
        await session(rig)
        answers = await rig.say(COMPLETE, COMPLETE)
        return answers, rig.reader.takes, await rig.drain(1), rig.reader.takes, csh(rig)

    assert play(script, close_s=0.5) == (["ack", "ack"], False, ["07"], True, [])


def test_session_complete_again_because_its_answer_was_lost():
    async def script(rig):
        await session(rig)
        rig.lost = 1  # the ACK of 07
        answers = await rig.say(COMPLETE, COMPLETE)
        return answers, await rig.drain(), rig.reader.at.state, csh(rig)

    assert play(script) == (["07", "07"], [], "Enabled", [])


def test_success_although_the_ack_of_the_approval_was_lost():
    """The controller knows of the approval, the reader cannot know that. It offers it again; nothing is charged twice."""

    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        await rig.clock.sleep(1)
        rig.lost = 1
        told = await rig.poll()
        success = await rig.ask(SUCCESS)
        again = await rig.drain()
        return told, success, again, rig.reader.funds, await rig.ask(COMPLETE), csh(rig)

    assert play(script) == (APPROVED, "ack", [APPROVED], 375, "07", [])


def test_a_restart_in_a_session():
    async def script(rig):
        await session(rig)
        rig.reader.restart()
        return await rig.drain(), rig.reader.at.state, rig.happenings

    assert play(script) == (["00"], "Inactive", [("in", 500), ("out", 500)])


@pytest.mark.parametrize("code", [0x00, 0x10, 0xA0])
def test_media_errors(code):
    async def script(rig):
        await ready(rig)
        rig.reader.malfunction(code)
        return await rig.drain(), rig.reader.takes

    assert play(script) == ([f"0a {code:02x}"], True)


# ---- revalue, negative vend, always idle


def test_revalue_makes_the_balance_grow():
    """A card that may hold 2000 has 500: the limit is 1500 (05DC). 1500 more are taken, one more is not."""

    async def script(rig):
        await session(rig)
        limit = await rig.ask("15 01")
        await rig.ask("15 00 05 DC")
        told = await rig.drain(1)
        return limit, told, rig.reader.funds, await rig.say("15 00 00 01", "15 01", COMPLETE), rig.happenings[-1], csh(rig)

    assert play(script, card_most=2000) == ("0f 05 dc", ["0d"], 2000, ["0e", "0e", "07"], ("out", 2000), [])


@pytest.mark.parametrize(("settings", "funds"), [({}, 500), ({"card_most": 400}, 500), ({"card_most": 2000}, None)])
def test_revalue_denied(settings, funds):
    async def script(rig):
        await session(rig, funds)
        return await rig.say("15 01", "15 00 00 01"), rig.reader.at.state, csh(rig)

    assert play(script, **settings) == (["0e", "0e"], "Session Idle", [])


def test_revalue_at_once_in_wide_money():
    """100000 = 000186A0; in the long form the approval carries the amount."""

    async def script(rig):
        await session(rig, features=2)
        return await rig.ask("15 00 00 01 86 A0"), rig.reader.funds, csh(rig)

    options = {"level": 3, "wide": True, "card_most": 200_000, "decide_s": 0}
    assert play(script, **options) == ("0d 00 01 86 a0", 100_500, [])


@pytest.mark.parametrize(("outcome", "left"), [(SUCCESS, 600), (FAILURE, 500)])
def test_negative_vend_pays_the_customer(outcome, left):
    async def script(rig):
        await session(rig, features=8)
        await rig.ask("13 06 00 64 00 11")
        told = await rig.drain(1)
        await rig.ask(outcome)
        return told, rig.reader.funds, await rig.ask(COMPLETE), csh(rig)

    assert play(script, level=3, negative_vend=True) == (["05 00 64"], left, "07", [])


def test_negative_vend_beyond_what_a_card_holds_or_without_a_balance():
    async def script(rig, funds):
        await session(rig, funds, features=8)
        await rig.ask("13 06 00 64 00 11")
        return await rig.drain(1)

    for funds in (500, None):
        options = {"level": 3, "negative_vend": True, "card_most": 550}
        assert play(lambda rig, funds=funds: script(rig, funds), **options) == [DENIED]


@pytest.mark.parametrize("seconds", [1, 9])
def test_always_idle_the_vend_comes_before_the_card(seconds):
    """A card within its response time (5 s) decides; without one the vend is denied in time."""

    async def script(rig):
        await ready(rig, features=0x20)
        asked = await rig.ask(REQUEST)
        told = await rig.drain(seconds)
        if not told:
            assert rig.reader.card(500)
            told = await rig.drain(1)
            await rig.ask(SUCCESS)
        return asked, told, await rig.ask(COMPLETE), rig.happenings, rig.reader.at.state, csh(rig)

    asked, told, complete, happened, state, broken = play(script, level=3, always_idle=True)
    assert (asked, complete, state, broken) == ("ack", "07", "Enabled", [])
    if seconds == 1:
        assert told == [APPROVED] and happened[-1] == ("out", 375)
    else:
        assert told == [DENIED] and [state for state, _ in happened] == ["denied"]


def test_always_idle_a_session_may_begin_as_usual():
    async def script(rig):
        told = await session(rig, features=0x20)
        await rig.ask(REQUEST)
        return [*told, *await rig.drain(1), await rig.ask(SUCCESS), await rig.ask(COMPLETE)], csh(rig)

    told, broken = play(script, level=3, always_idle=True)
    assert (told[0][:8], told[1:], broken) == ("03 01 f4", [APPROVED, "ack", "07"], [])


# ---- what else a reader may want


def test_time_and_date():
    async def script(rig):
        await ready(rig)
        rig.reader.ask_time()
        told = await rig.drain()
        await rig.ask("17 03 26 01 05 08 00 00 01 01 00 00")
        return told, rig.reader.stamp, csh(rig)

    assert play(script) == (["11"], "26010508000001010000", [])


def test_data_entry():
    """Eight characters keyed in (from memory). Without the feature nothing is asked."""

    async def script(rig, features):
        await ready(rig, features=features)
        asked = rig.reader.ask_entry(4)
        told = await rig.drain()
        rig.reader.cancel_entry()
        return asked, told, await rig.drain(), await rig.ask("14 03 31 32 33 34 20 20 20 20"), rig.reader.entered

    options = {"level": 3, "data_entry": True}
    assert play(lambda rig: script(rig, 0x10), **options) == (True, ["12 04"], ["13"], "ack", "1234")
    assert play(lambda rig: script(rig, 0), **options) == (False, [], [], "silence", "")


@pytest.mark.parametrize(("display", "shown"), [("10 02", True), ("08 01", False), ("00 00", False)])
def test_display(display, shown):
    """16 x 2 characters: the text is filled up to 32 of them. 1.5 s are 15 tenths."""

    async def script(rig):
        await ready(rig, display=display)
        return rig.reader.show("HELLO", 1.5), await rig.drain(), csh(rig)

    words = "02 0f 48 45 4c 4c 4f" + " 20" * 27
    assert play(script, display=True) == (shown, [words] if shown else [], [])


def test_cash_sales_it_is_told_of():
    async def script(rig):
        await ready(rig)
        return await rig.ask("13 05 00 7D 00 11"), rig.reader.sales

    assert play(script, cash_sales=True) == ("ack", [(125, 17)])


# ---- two readers


def test_two_readers_on_one_bus():
    """The second at address 60; each has its own session."""

    async def main(clock):
        rig = Rig(clock)
        other = Rig.beside(rig, "cashless2")
        rig.reader.start()
        other.reader.start()
        for one in (rig, other):
            await session(one, 500 if one is rig else 900)
        await rig.ask(REQUEST)
        await other.ask(REQUEST)
        told = await rig.drain(1), await other.drain()
        await rig.ask(SUCCESS)
        await other.ask(FAILURE)
        funds = rig.reader.funds, other.reader.funds
        ends = await rig.ask(COMPLETE), await other.ask(COMPLETE)
        return told, funds, ends, csh(rig)

    assert run(main) == (([APPROVED], [APPROVED]), (375, 900), ("07", "07"), [])


def test_same_seed_same_answers():
    async def script(rig):
        await session(rig)
        await rig.ask(REQUEST)
        await rig.drain(3)
        return rig.clock.now(), rig.judge.samples()

    assert play(script, online_s=[0, 2], seed=5) == play(script, online_s=[0, 2], seed=5)
