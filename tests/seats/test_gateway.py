"""Gateway and master on one line in virtual time. Codes of MDB/ICP 4.3 §8 (from memory); times are the settings'."""

import pytest
from cash_bench import play

from benchsim.errors import UsageError
from benchsim.seats.gateway import Gateway
from benchsim.seats.oddities import ODDITIES

SALE = {
    "kind": 1, "item": 17, "price": 25, "box": 0, "tubes": 30, "bills": 0, "cashless1": 0, "cashless2": 0,
    "revalue1": 0, "revalue2": 0, "paid_out": 5, "discount": 0, "surcharge": 0, "group": 0, "list": 1,
    "date": "20260105", "time": "0800",
}  # fmt: skip


async def insist(cash, name, **fields):
    """Ask again after NAK, which a device may give to what it cannot take just now (MDB/ICP 4.3 §2)."""
    if (answer := await cash.ask(name, **fields)) != "nak":
        return answer
    return await cash.ask(name, **fields)


async def ready(cash):
    """In the order of the start-up (MDB/ICP 4.3 §8, from memory)."""
    assert await cash.polls(0.3) == [("JUST RESET",)]
    config = await cash.ask("SETUP", level=1, scaling=5, decimals=2)
    me = await cash.ask("IDENTIFICATION", maker="BSM", serial="000000000009", model="BOARD", software="0100")
    await cash.ask("FEATURES", features=0)
    assert await cash.ask("CONTROL ENABLE") == "ack"
    return config, me


def test_start_up():
    async def script(cash):
        config, me = await ready(cash)
        assert config == {"level": 1, "wait_s": 10}
        assert (me["maker"], me["model"], me["features"]) == ("BSM", "GATEWAY", 0)
        return cash.verdicts()

    assert play(Gateway, script) == set()


def test_a_report_is_held_until_it_may_be_sent():
    async def script(cash):
        await ready(cash)
        assert await cash.ask("REPORT TRANSACTION", **SALE) == "ack"
        assert await cash.polls(2) == [("TRANSMIT REQUEST",)]  # once, however long it is not answered
        assert (len(cash.device.held), len(cash.device.sent)) == (1, 0)
        assert await cash.ask("CONTROL TRANSMIT") == "ack"
        assert await cash.polls(2.5) == []  # send_s is 3 s
        assert await cash.polls(1) == [("DATA TRANSMITTED",)]
        assert cash.device.sent == [("REPORT TRANSACTION", SALE)] and cash.device.held == []
        assert [h.data for h in cash.happenings if h.kind == "sent"] == [{"reports": 1}]
        return cash.verdicts()

    assert play(Gateway, script) == set()


def test_a_report_that_comes_while_it_sends_waits_for_the_next_time():
    async def script(cash):
        await ready(cash)
        await cash.ask("REPORT CURRENCY", currency="1978")
        await cash.ask("CONTROL TRANSMIT")
        await cash.ask("REPORT ASSET", asset="UNIT 7")
        await cash.polls(0.2)
        told = await cash.polls(3.5)
        assert told == [("DATA TRANSMITTED",), ("TRANSMIT REQUEST",)]
        return [name for name, _ in cash.device.sent], [name for name, _ in cash.device.held]

    assert play(Gateway, script) == (["REPORT CURRENCY"], ["REPORT ASSET"])


def test_nothing_is_asked_while_disabled_and_nothing_sent_without_leave():
    async def script(cash):
        await cash.polls(0.3)
        await cash.ask("REPORT ASSET", asset="UNIT 7")
        assert await cash.polls(1) == []
        await cash.ask("CONTROL TRANSMIT")
        await cash.polls(4)
        assert cash.device.sent == []
        await cash.ask("CONTROL ENABLE")
        return await cash.polls(0.3)

    assert play(Gateway, script) == [("TRANSMIT REQUEST",)]


def test_an_event_is_receipted():
    async def script(cash):
        await ready(cash)
        event = {"event": "EAR", "date": "20260105", "time": "0801", "duration": 60, "active": 1}
        outcome = await cash.outcome(cash.spec.build_command("REPORT EVENT", 0x18, cash.mode, **event))
        told = [*cash.spec.parse_answer("POLL", outcome.data, cash.mode)] if outcome.data else []
        return [m.name for m in told] + [name for name, *_ in await cash.polls(0.5)], cash.verdicts()

    names, verdicts = play(Gateway, script)
    # At once or in the next POLLs; the request to send was there before it.
    assert sorted(names) == ["EVENT TAKEN", "TRANSMIT REQUEST"]
    assert verdicts == set()


def test_a_receipt_may_come_at_once_in_place_of_ack():
    """While it is disabled it asks for nothing, so nothing waits before the receipt."""

    async def script(cash):
        await cash.polls(0.3)
        event = {"event": "EAR", "date": "20260105", "time": "0801", "duration": 60, "active": 1}
        outcome = await cash.outcome(cash.spec.build_command("REPORT EVENT", 0x18, cash.mode, **event))
        return outcome.data, cash.verdicts()

    assert play(Gateway, script) == (b"\x05", set())


def test_without_a_link_nothing_goes_out():
    async def script(cash):
        await ready(cash)
        await cash.ask("REPORT ASSET", asset="UNIT 7")
        await cash.polls(0.2)
        await cash.ask("CONTROL TRANSMIT")
        cash.device.link(0)
        told = await cash.polls(4)
        assert told == [("SIGNAL STRENGTH", 0), ("ERROR", 1, 1)] and cash.device.sent == []
        cash.device.link(12)
        back = await cash.polls(0.3)
        await cash.ask("CONTROL TRANSMIT")
        await cash.polls(3.5)
        return back, len(cash.device.sent), cash.verdicts()

    back, sent, verdicts = play(Gateway, script)
    assert back == [("SIGNAL STRENGTH", 12), ("ERROR", 1, 0), ("TRANSMIT REQUEST",)]
    assert (sent, verdicts) == (1, set())


def test_a_full_memory_is_told():
    async def script(cash):
        await ready(cash)
        for unit in ("UNIT 1", "UNIT 2", "UNIT 3"):
            await cash.ask("REPORT ASSET", asset=unit)
        return await cash.polls(0.3), cash.device.held

    told, held = play(Gateway, script, {"capacity": 2})
    assert told == [("TRANSMIT REQUEST",), ("ERROR", 2, 1)]
    assert [fields["asset"] for _, fields in held] == ["UNIT 1", "UNIT 2"]


def test_reports_outlive_reset_and_power_cut_but_the_leave_does_not():
    async def script(cash):
        await ready(cash)
        await cash.ask("REPORT ASSET", asset="UNIT 7")
        await cash.ask("CONTROL TRANSMIT")
        await cash.ask("RESET")
        await cash.polls(4)
        assert (len(cash.device.held), cash.device.sent, cash.device.enabled) == (1, [], False)
        cash.device.stop()
        await cash.clock.sleep(1)
        cash.device.start()
        assert await ready(cash)
        assert await cash.polls(0.3) == [("TRANSMIT REQUEST",)]
        return len(cash.device.held)

    assert play(Gateway, script) == 1


@pytest.mark.parametrize("oddity", ODDITIES)
def test_odd_but_legal_answers_fail_nobody(oddity):
    async def script(cash):
        await cash.polls(0.3)
        await insist(cash, "SETUP", level=1, scaling=5, decimals=2)
        await insist(cash, "CONTROL ENABLE")
        await insist(cash, "REPORT TRANSACTION", **SALE)
        told = await cash.polls(1)
        return told, cash.verdicts()

    told, verdicts = play(Gateway, script, {"answers": [oddity]})
    assert ("TRANSMIT REQUEST",) in told
    assert verdicts == set()


@pytest.mark.parametrize(("settings", "told"), [({"level": 4}, "gateway: level"), ({"signal": 1}, "unknown setting 'signal'")])
def test_wrong_settings(settings, told):
    with pytest.raises(UsageError, match=told):
        play(Gateway, None, settings)
