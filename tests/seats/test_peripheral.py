"""What all devices on the bus have in common, with changer and validator as examples. MDB/ICP 4.3 §2, §3."""

from itertools import pairwise

import pytest
from cash_bench import play

from benchsim.errors import UsageError
from benchsim.events import seconds
from benchsim.seats.changer import Changer
from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import Peripheral
from benchsim.seats.validator import Validator

JUST_RESET = [("JUST RESET",)]


def test_a_reset_of_its_own_comes_out_of_nowhere():
    async def script(cash):
        await cash.start_up()
        cash.device.lever()
        cash.device.restart()
        assert await cash.polls(0.5) == JUST_RESET  # and no lever: a reset clears
        assert not cash.device.takes(0)
        return cash.verdicts()

    assert play(Changer, script) == set()


def test_a_restart_without_power_is_nothing():
    async def script(cash):
        cash.device.restart()
        return cash.device.on, await cash.outcome(b"\x0b")

    on, outcome = play(Changer, script, start=False)
    assert (on, outcome.kind) == (False, "silence")


def test_quiet_for_a_while_then_on_as_before():
    """Shorter than the non-response time of 2 s (§3): nothing fails."""

    async def script(cash):
        await cash.start_up()
        cash.device.lever()
        cash.device.quiet(1.5)
        assert [await cash.ask("POLL"), await cash.ask("COIN TYPE", accept=0, manual=0)] == ["silence"] * 2
        cash.line.say("board", (0x108, 0x009), cash.clock.now())  # a wrong checksum gets no NAK either
        await cash.clock.sleep(1.5)
        assert cash.blocks[-1].kind == "command"
        assert await cash.poll() == [("ESCROW REQUEST",)]
        assert cash.device.takes(0)  # COIN TYPE was not heard
        assert cash.device.bus.tricks == []
        return cash.verdicts()

    assert play(Changer, script) == set()


def test_quiet_for_too_long_is_judged():
    async def script(cash):
        await cash.polls(0.3)
        cash.device.quiet(3)
        assert await cash.polls(2.9) == []
        return cash.verdicts()

    assert play(Changer, script) == {("BUS-SILENT", "fail")}


def test_nak_refuses_one_command_and_does_nothing():
    async def script(cash):
        await cash.start_up()
        await cash.ask("COIN TYPE", accept=0, manual=0)
        cash.device.nak()
        refused = await cash.ask("COIN TYPE", accept=0xFFFF, manual=0)
        took = cash.device.takes(0)
        taken = await cash.ask("COIN TYPE", accept=0xFFFF, manual=0)
        return refused, took, taken, cash.device.takes(0), cash.verdicts()

    assert play(Changer, script) == ("nak", False, "ack", True, set())


def test_a_poll_that_was_refused_loses_no_event():
    async def script(cash):
        await cash.polls(0.3)
        cash.device.lever()
        cash.device.nak(2)
        assert [await cash.poll(), await cash.poll()] == [[], []]
        return await cash.poll(), cash.verdicts()

    assert play(Changer, script) == ([("ESCROW REQUEST",)], set())


@pytest.mark.parametrize("spoilt", [lambda b: None, lambda b: b._replace(words=(*b.words[:-1], b.words[-1] ^ 1))])
def test_what_was_not_acknowledged_is_offered_again_before_newer_events(spoilt):
    """Not heard, or wrong three times over (§2)."""

    async def script(cash):
        await cash.start_up()
        cash.device.insert(2)
        await cash.clock.sleep(0.3)
        lost = []

        def hurt(burst):
            if burst.out or len(burst.words) == 1:
                return burst
            lost.append(burst.words)
            return spoilt(burst)

        cash.line.hurts.append(hurt)
        assert await cash.poll() == []
        cash.device.lever()
        cash.line.hurts.clear()
        return lost, await cash.poll()

    lost, told = play(Changer, script)
    assert lost == [(0x52, 21, 0x167)] * len(lost) and len(lost) in (1, 3)  # 52 + 15 = 67
    assert told == [("COIN DEPOSITED", 1, 2, 21), ("ESCROW REQUEST",)]


@pytest.mark.parametrize("make", [Changer, Validator])
def test_busy_is_told_and_other_commands_wait(make):
    async def script(cash):
        await cash.polls(0.3)
        cash.device.busy(1)
        told, answer = await cash.poll(), await cash.ask("SETUP")
        await cash.clock.sleep(1)
        return told, answer, await cash.poll(), type(await cash.ask("SETUP")), cash.verdicts()

    assert play(make, script) == ([("BUSY",)], "silence", [], dict, set())


def test_a_reset_ends_busy_and_nak():
    async def script(cash):
        await cash.polls(0.3)
        cash.device.busy(10)
        cash.device.nak(5)
        assert await cash.ask("RESET") == "ack"
        return await cash.poll(), await cash.poll(), type(await cash.ask("SETUP"))

    assert play(Changer, script) == (JUST_RESET, [], dict)


def test_a_reader_has_no_busy():
    from benchsim.seats.cashless import Cashless

    async def script(cash):
        cash.device.busy(1)

    with pytest.raises(UsageError, match="no state BUSY"):
        play(Cashless, script)


@pytest.mark.parametrize(
    ("make", "name", "fields"),
    [
        (Changer, "IDENTIFICATION", {}), (Changer, "PAYOUT", {"value": 1}), (Changer, "DIAGNOSTIC STATUS", {}),
        (Validator, "IDENTIFICATION 2", {}), (Validator, "FEATURES", {"features": 0}),
    ],
)  # fmt: skip
def test_a_command_above_the_level_is_not_answered(make, name, fields):
    async def script(cash):
        await cash.polls(0.3)
        return await cash.ask(name, **fields)

    assert play(make, script, {"level": 2 if make is Changer else 1}) == "silence"


# ---- odd but legal


@pytest.mark.parametrize("oddity", ODDITIES)
@pytest.mark.parametrize("make", [Changer, Validator])
def test_odd_answers_break_no_rule(make, oddity):
    """And each does what it says: the published limits are 5.0 ms, 1.0 ms, +1 % / -2 % (§3)."""

    async def script(cash):
        await cash.polls(0.3)
        first, second = await cash.ask("SETUP"), await cash.ask("SETUP")
        for _ in range(2):
            await cash.ask("TUBE STATUS" if make is Changer else "STACKER")
        name, on = ("COIN TYPE", {"accept": 0xFF, "manual": 0}) if make is Changer else (
            "BILL TYPE", {"enable": 0xFF, "escrow": 0})  # fmt: skip
        for _ in range(2):
            await cash.ask(name, **on)
        cash.device.insert(2)
        cash.device.insert(1)
        told = await cash.polls(4)
        return first, second, told, cash.blocks, cash.verdicts()

    first, second, told, blocks, verdicts = play(make, script, {"answers": [oddity]})
    assert verdicts == set()
    assert isinstance(second, dict) and (first == "nak") == (oddity == "refuses")
    assert any(one[0] in ("COIN DEPOSITED", "BILL") for one in told)
    answers = [b for b in blocks if not b.out]
    waits = [seconds(b.start - a.end) for a, b in pairwise(blocks) if a.out and not b.out]
    words = [seconds(b.end - b.start) / len(b.words) for b in answers if len(b.words) == 1]
    assert (min(waits) > 0.004) == (oddity == "late")
    assert (max(b.worst_gap for b in answers) > 0) == (oddity == "gaps")
    assert (min(words) > 11.1 / 9600) == (oddity == "slow") and (max(words) < 10.95 / 9600) == (oddity == "fast")


# ---- settings


def test_every_setting_has_a_row_that_its_default_fits():
    for make in (Changer, Validator):
        assert set(make.SETTINGS) == set(make.SETTING_CHECKS)
        for name, row in make.SETTING_CHECKS.items():
            assert row.kind.fits(make.SETTINGS[name]) and row.means and row.kind.says, name


WRONG = [
    (Changer, {"level": 1}, r"changer: level: expected .*, not 1"),
    (Changer, {"level": True}, r"changer: level: expected .*, not True"),
    (Changer, {"currency": "978"}, r"changer: currency: expected four digits in quotes, .*, not '978'"),
    (Changer, {"currency": 1978}, r"changer: currency: expected four digits in quotes, .*, not 1978"),
    (Changer, {"currency": "2978"}, r"changer: currency: .* the first of them 0 or 1, not '2978'"),
    (Changer, {"currency": "1٩78"}, r"changer: currency: expected four digits"),
    (Changer, {"scaling": 0}, r"changer: scaling: expected a whole number from 1 to 255, not 0"),
    (Changer, {"scaling": 2.5}, r"changer: scaling: expected a whole number from 1 to 255, not 2.5"),
    (Changer, {"decimals": 10}, r"changer: decimals: expected a whole number from 0 to 9, not 10"),
    (Changer, {"credits": [1] * 17}, r"changer: credits: expected at most 16 whole numbers from 0 to 255"),
    (Changer, {"credits": [256]}, r"changer: credits: expected at most 16 whole numbers from 0 to 255"),
    (Changer, {"credits": 5}, r"changer: credits: expected at most 16 whole numbers"),
    (Changer, {"tubes": [-1]}, r"changer: tubes: expected at most 16 whole numbers from 0 to 255"),
    (Changer, {"tubes": [True]}, r"changer: tubes: expected at most 16 whole numbers from 0 to 255"),
    (Changer, {"coin_s": -0.1}, r"changer: coin_s: expected seconds, 0 or more, not -0.1"),
    (Changer, {"coin_s": float("nan")}, r"changer: coin_s: expected seconds, 0 or more, not nan"),
    (Changer, {"trim": "some"}, r"changer: trim: expected one of 'types', 'zeros', 'none', not 'some'"),
    (Changer, {"answers": ["never"]}, r"changer: answers: expected a list of any of 'late', .*, not \['never'\]"),
    (Validator, {"escrow": 1}, r"validator: escrow: expected true or false, not 1"),
    (Validator, {"scaling": 65536}, r"validator: scaling: expected a whole number from 1 to 65535, not 65536"),
    (Validator, {"capacity": 32768}, r"validator: capacity: expected a whole number from 0 to 32767, not 32768"),
    (Validator, {"colour": 1}, r"validator: unknown setting 'colour' \(known: answers, "),
]


@pytest.mark.parametrize(("make", "settings", "line"), WRONG)
def test_a_wrong_setting_is_told_in_one_line(make, settings, line):
    with pytest.raises(UsageError, match=line) as told:
        play(make, None, settings)
    assert "\n" not in str(told.value)


def test_a_setting_without_a_row_is_of_its_defaults_type():
    class Bare(Changer):
        SETTINGS = Changer.SETTINGS | {"colour": 3, "shiny": True, "wait_s": 1.0}

    for name, wrong in (("colour", "red"), ("shiny", 1), ("wait_s", "long")):
        with pytest.raises(UsageError, match=f"changer: {name}: expected"):
            play(Bare, None, {name: wrong})
    assert issubclass(Bare, Peripheral)
