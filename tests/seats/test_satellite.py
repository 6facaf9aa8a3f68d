"""Satellite and master on one line in virtual time. Codes from memory of MDB/ICP 4.3; times are the settings'."""

import pytest
from cash_bench import play

from benchsim.errors import UsageError
from benchsim.seats.oddities import ODDITIES
from benchsim.seats.satellite import Satellite


async def insist(cash, name, **fields):
    """Ask again after NAK, which a device may give to what it cannot take just now (MDB/ICP 4.3 §2)."""
    if (answer := await cash.ask(name, **fields)) != "nak":
        return answer
    return await cash.ask(name, **fields)


async def ready(cash, scaling=5):
    """In the order of the start-up (MDB/ICP 4.3, from memory)."""
    assert await cash.polls(0.3) == [("JUST RESET",)]
    config = await cash.ask("SETUP", level=1, scaling=scaling, decimals=2)
    assert await cash.ask("FUNDS", funds=60) == "ack"
    assert await cash.ask("CONTROL ENABLE") == "ack"
    return config


def states(cash):
    return [h.data["state"] for h in cash.happenings if h.kind == "item"]


def test_start_up():
    async def script(cash):
        assert await ready(cash) == {"level": 1, "wait_s": 10}
        me = await cash.ask("IDENTIFICATION", maker="BSM", serial="000000000009", model="BOARD", software="0100")
        assert (me["model"], me["features"]) == ("SATELLITE", 0)
        assert cash.device.funds == 300  # 60 units of 5
        return cash.verdicts()

    assert play(Satellite, script) == set()


def test_a_vend_is_asked_for_granted_and_delivered():
    async def script(cash):
        await ready(cash)
        assert cash.device.pick(1, 2)  # the seventh price: 250
        assert await cash.polls(0.3) == [("ITEM REQUEST", 1, 2, 50)]  # 250 in units of 5
        assert await cash.ask("VEND GRANTED", row=1, column=2) == "ack"
        assert await cash.polls(1.5) == []  # vend_s is 2 s
        assert await cash.polls(1) == [("ITEM STATUS", 1, 2, 0)]
        assert states(cash) == ["asked", "granted", "delivered"]
        assert cash.device.takes(1, 2)
        return cash.verdicts()

    assert play(Satellite, script) == set()


def test_a_vend_is_refused():
    async def script(cash):
        await ready(cash)
        cash.device.pick(0, 0)
        await cash.polls(0.3)
        await cash.ask("VEND REFUSED")
        assert await cash.polls(3) == []
        assert states(cash) == ["asked", "refused"]
        return cash.verdicts()

    assert play(Satellite, script) == set()


def test_a_stuck_item_is_told():
    async def script(cash):
        await ready(cash)
        cash.device.jammed.add((0, 1))
        cash.device.pick(0, 1)
        await cash.polls(0.3)
        await cash.ask("VEND GRANTED", row=0, column=1)
        return await cash.polls(3), states(cash)

    assert play(Satellite, script) == ([("ITEM STATUS", 0, 1, 1)], ["asked", "granted", "stuck"])


def test_without_an_answer_it_gives_up_and_a_late_grant_delivers_nothing():
    async def script(cash):
        await ready(cash)
        cash.device.pick(0, 0)
        await cash.polls(2.8)
        assert states(cash) == ["asked"]
        await cash.polls(0.4)
        assert states(cash) == ["asked", "unanswered"]
        await cash.ask("VEND GRANTED", row=0, column=0)
        return await cash.polls(3), states(cash)

    assert play(Satellite, script, {"wait_s": 3}) == ([("ITEM STATUS", 0, 0, 1)], ["asked", "unanswered"])


def test_the_wait_for_a_second_request_is_its_own():
    """The first was refused after 2 s; 2 s into the second one the first one's 3 s are over."""

    async def script(cash):
        await ready(cash)
        cash.device.pick(0, 0)
        await cash.polls(2)
        await cash.ask("VEND REFUSED")
        cash.device.pick(0, 1)
        await cash.polls(2)
        return states(cash)

    assert play(Satellite, script, {"wait_s": 3}) == ["asked", "refused", "asked"]


def test_a_grant_for_another_item_delivers_nothing():
    async def script(cash):
        await ready(cash)
        cash.device.pick(0, 0)
        await cash.polls(0.3)
        await cash.ask("VEND GRANTED", row=0, column=1)
        return await cash.polls(3), states(cash)

    assert play(Satellite, script) == ([("ITEM STATUS", 0, 1, 1)], ["asked"])


def test_the_controller_picks():
    async def script(cash):
        await ready(cash)
        await cash.ask("VEND ITEM", row=1, column=3)
        first = await cash.polls(3)
        await cash.ask("VEND ITEM", row=2, column=0)  # two rows only
        return first + await cash.polls(0.3), states(cash)

    told, seen = play(Satellite, script)
    assert told == [("ITEM STATUS", 1, 3, 0), ("ITEM STATUS", 2, 0, 1)]
    assert seen == ["granted", "delivered"]


@pytest.mark.parametrize("item", [(0, 4), (2, 0), (-1, 0), (0, -1)])
def test_there_is_no_such_item(item):
    async def script(cash):
        await ready(cash)
        return cash.device.pick(*item), await cash.polls(0.3)

    assert play(Satellite, script) == (False, [])


def test_it_asks_for_nothing_while_disabled_empty_or_in_no_whole_units():
    async def script(cash):
        await ready(cash, scaling=40)
        device = cash.device
        assert not device.takes(0, 0)  # 100 is not whole in units of 40
        assert device.takes(1, 0)  # 200 is
        device.empty.add((1, 0))
        assert not device.pick(1, 0)
        await cash.ask("CONTROL DISABLE")
        return device.takes(1, 1), await cash.polls(0.3)

    assert play(Satellite, script) == (False, [])


def test_a_power_cut_leaves_the_item_stuck():
    async def script(cash):
        await ready(cash)
        cash.device.pick(0, 0)
        await cash.polls(0.3)
        await cash.ask("VEND GRANTED", row=0, column=0)
        cash.device.stop()
        await cash.clock.sleep(3)
        cash.device.start()
        await ready(cash)
        return states(cash)

    assert play(Satellite, script) == ["asked", "granted", "stuck"]


@pytest.mark.parametrize("oddity", ODDITIES)
def test_odd_but_legal_answers_fail_nobody(oddity):
    async def script(cash):
        await cash.polls(0.3)
        await insist(cash, "SETUP", level=1, scaling=5, decimals=2)
        await insist(cash, "CONTROL ENABLE")
        cash.device.pick(0, 0)
        told = await cash.polls(0.5)
        return told, cash.verdicts()

    assert play(Satellite, script, {"answers": [oddity]}) == ([("ITEM REQUEST", 0, 0, 20)], set())


@pytest.mark.parametrize(
    ("settings", "told"), [({"level": 0}, "satellite1: level"), ({"prices": [-1]}, "prices: expected at most 255 whole")]
)
def test_wrong_settings(settings, told):
    with pytest.raises(UsageError, match=told):
        play(Satellite, None, settings)
