"""Cash, cards and coils together: a whole board with real devices on its bus, asked by frames, before the judge.

Prices as the rig sends them: 100, 125, free / 150, not for sale, 175. Kit link reference; MDB/ICP 4.3.
"""

import pytest

VEND_100, VEND_125, VEND_175 = bytes((0, 0, 0, 100)), bytes((0, 1, 0, 125)), bytes((1, 2, 0, 175))
CREDIT, DONE, PAYOUT = 2, 3, 7
DELIVERED, NO_DROP, REFUSED, STOPPED = 0, 1, 4, 5
ALL = {"changer": {}, "validator": {}, "cashless1": {}, "cashless2": {}}
MONEY = {"SYS-MONEY", "SYS-PAID-OR-DELIVERED"}


def done(events) -> list[int]:
    """Outcomes of VEND-DONE."""
    return [data[2] for code, data in events if code == DONE]


def charged(machine) -> int:
    """What the board says that cards have paid."""
    return sum(h.data["value"] for h in machine.happenings if h.kind == "charge")


def cards(machine, seat="cashless1") -> list[str]:
    return [h.data["state"] for h in machine.happenings if h.kind == "card" and h.seat == seat]


async def open_with(machine, cash=0, card=None, bill=None):
    """On sale; coins of 50 for the cash, a bill of that type, a card with these funds."""
    await machine.priced()
    await machine.ok("OPEN-SALE")
    await machine.polling(2)
    for _ in range(cash // 50):
        machine.devices.changer.insert(3)
        await machine.polling(0.6)
    if bill is not None:
        machine.devices.validator.insert(bill)
        await machine.polling(3.5)
    if card is not None:
        assert machine.devices.cashless1.card(card)
        await machine.polling(0.6)


async def rest(machine, seconds=5.0):
    """Nothing more happens, so the books can be looked at."""
    return await machine.polling(seconds)


def judged(machine):
    failed = machine.failed()
    seen = {v.rule: v.outcome for v in machine.judge.verdicts() if v.rule in MONEY and v.judged == "board"}
    return failed, seen


PASSED = (set(), {"SYS-MONEY": "pass", "SYS-PAID-OR-DELIVERED": "pass"})


def test_cash_first_and_the_card_for_the_rest(machine):
    async def script(m):
        await open_with(m, cash=100, card=500)
        assert (await m.poll())[1] == 600
        await m.ok("VEND", VEND_175)
        events = await m.polling(4)
        assert done(events) == [DELIVERED]
        assert m.board.memory.cash == 0 and charged(m) == 75
        m.devices.cashless1.pull()
        await rest(m)
        assert cards(m)[-2:] == ["charged", "out"]
        return judged(m)

    assert machine(script, ALL) == PASSED


def test_mixed_and_not_delivered(machine):
    async def script(m):
        m.coils.empty.add((1, 2))
        await open_with(m, cash=100, card=500)
        await m.ok("VEND", VEND_175)
        assert done(await m.polling(4)) == [NO_DROP]
        assert (await m.poll())[1] == 600 and charged(m) == 0 and "charged" not in cards(m)
        m.devices.cashless1.pull()
        await rest(m)
        assert m.board.memory.cash == 100
        return judged(m)

    assert machine(script, ALL) == PASSED


def test_mixed_and_refused_by_the_card(machine):
    """The card does not tell its funds; it has too little."""

    async def script(m):
        await open_with(m, cash=100)
        m.devices.cashless1.never_answers = True
        assert m.devices.cashless1.card(None)
        await m.polling(0.6)
        assert (await m.poll())[1] == 0xFFFFFFFF
        await m.ok("VEND", VEND_175)
        assert done(await m.polling(8)) == [REFUSED]
        m.devices.cashless1.pull()
        await rest(m)
        assert m.board.memory.cash == 100
        failed, seen = judged(m)
        return {one for one in failed if one[1] == "board"}, seen

    assert machine(script, ALL) == PASSED


def test_three_vends_in_one_session_with_cash_between(machine):
    async def script(m):
        await open_with(m, card=400)
        events = []
        for payload in (VEND_100, VEND_125):
            await m.ok("VEND", payload)
            events += await m.polling(4)
        m.devices.changer.insert(3)
        events += await m.polling(1)
        await m.ok("VEND", VEND_175)  # 50 in cash, 125 of the 175 left on the card
        events += await m.polling(4)
        assert done(events) == [DELIVERED] * 3
        assert charged(m) == 100 + 125 + 125 and m.devices.cashless1.funds == 50
        m.devices.cashless1.pull()
        await rest(m)
        return judged(m)

    assert machine(script, ALL) == PASSED


def test_a_reader_for_one_vend_ends_its_session(machine):
    async def script(m):
        await open_with(m, card=400)
        await m.ok("VEND", VEND_100)
        await m.polling(4)
        assert cards(m)[-2:] == ["charged", "out"]
        await rest(m)
        assert (await m.poll())[1] == 0
        return judged(m)

    assert machine(script, ALL | {"cashless1": {"multivend": False}}) == PASSED


def test_two_readers_each_its_turn(machine):
    async def script(m):
        await open_with(m, card=400)
        assert not m.devices.cashless2.card(300)  # the first has the customer
        await m.ok("VEND", VEND_100)
        await m.polling(4)
        m.devices.cashless1.pull()
        await m.polling(2)
        assert m.devices.cashless2.card(300)
        await m.polling(1)
        await m.ok("VEND", VEND_125)
        await m.polling(4)
        m.devices.cashless2.pull()
        await rest(m)
        assert charged(m) == 225 and "charged" in cards(m) and "charged" in cards(m, "cashless2")
        return judged(m)

    assert machine(script, ALL) == PASSED


def test_a_cash_sale_is_reported_to_the_reader_that_asks(machine):
    async def script(m):
        await open_with(m, cash=100)
        await m.ok("VEND", VEND_100)
        await m.polling(4)
        return m.devices.cashless1.sales, m.devices.cashless2.sales

    assert machine(script, ALL | {"cashless1": {"cash_sales": True}}) == ([(100, 0)], [])


def test_the_clock_of_the_host_reaches_a_reader(machine):
    async def script(m):
        await open_with(m)
        await m.ok("CLOCK", (1_767_600_000).to_bytes(4, "big"))  # 2026-01-05 08:00 UTC, a Monday
        m.devices.cashless1.report("TIME REQUEST")
        await m.polling(1)
        return m.devices.cashless1.stamp

    stamp = machine(script, ALL)
    assert stamp[:10] == "2601050800" and stamp[12:] == "01020000"


@pytest.mark.parametrize(
    ("how", "moment", "card"),
    [("door", 0.3, 500), ("door", 1.6, 500), ("door", 1.0, None), ("lockout", 0.3, None), ("lockout", 1.0, 500)],
)
def test_door_and_lock_out_end_a_vend(machine, how, moment, card):
    """VEND-DONE outcome 5, nothing charged, the cash back, whether the reader is being asked or the coil turns."""

    async def script(m):
        await open_with(m, cash=100, card=card)
        await m.ok("VEND", VEND_100 if card is None else VEND_175)
        events = await m.polling(moment)
        m.board.door(True) if how == "door" else m.board.lock_out(1)
        events += await m.polling(1)
        assert done(events) == [STOPPED]
        assert [h.data["state"] for h in m.happenings if h.kind == "coil"][-1:] in ([], ["stop"])
        m.devices.cashless1.pull()
        await rest(m, 8)
        assert m.board.memory.cash == 100 and charged(m) == 0 and "charged" not in cards(m)
        return {one for one in m.failed() if one[0] != "SYS-RECOVER"}

    assert machine(script, ALL) == set()


def test_the_lever_pressed_during_a_vend(machine):
    """What is left goes out after it; of a vend that failed, all."""

    async def script(m, empty):
        if empty:
            m.coils.empty.add((0, 0))
        await open_with(m, cash=150)
        await m.ok("VEND", VEND_100)
        await m.polling(0.5)
        m.devices.changer.lever()
        await m.polling(6)
        await rest(m)
        return sum(h.data["value"] for h in m.happenings if h.kind == "payout"), *judged(m)

    for empty, paid in ((False, 50), (True, 150)):
        assert machine(lambda m, empty=empty: script(m, empty), ALL) == (paid, *PASSED)


@pytest.mark.parametrize("level", [2, 3])
@pytest.mark.parametrize(("off", "wait"), [(0.05, 2.0), (0.4, 0.02), (1.0, 2.0)])
def test_a_power_cut_in_a_payout_pays_nothing_twice(machine, level, off, wait):
    async def script(m):
        await open_with(m, bill=0)  # 500
        await m.ok("REFUND")
        await m.polling(off)
        m.board.power_off()
        await m.clock.sleep(wait)
        m.board.power_on()
        await m.clock.sleep(0.6)
        await rest(m, 12)
        return sum(h.data["value"] for h in m.happenings if h.kind == "payout"), m.board.memory.owed

    assert machine(script, {"changer": {"level": level}, "validator": {}}) == (500, 0)


def test_a_jam_leaves_a_debt_that_outlives_the_power(machine):
    async def script(m):
        await open_with(m, bill=0)  # 500
        m.devices.changer.trouble("TUBE JAM")
        await m.polling(0.5)
        await m.ok("REFUND")
        events = await m.polling(3)
        assert [data for code, data in events if code == PAYOUT][-1] == bytes(4) + (500).to_bytes(4, "big")
        m.board.power_off()
        await m.clock.sleep(1)
        m.board.power_on()
        await m.clock.sleep(3)
        m.devices.changer.trouble("TUBE JAM", False)
        await rest(m, 12)
        return sum(h.data["value"] for h in m.happenings if h.kind == "payout"), m.board.memory.owed

    assert machine(script, {"changer": {}, "validator": {}}) == (500, 0)


@pytest.mark.parametrize("moment", [0.2, 0.9, 1.5, 2.6])
def test_a_reader_that_restarts_in_a_vend_costs_the_customer_nothing(machine, moment):
    async def script(m):
        await open_with(m, cash=100, card=500)
        await m.ok("VEND", VEND_175)
        await m.polling(moment)
        m.devices.cashless1.stop()
        m.devices.cashless1.start()
        events = await m.polling(6)
        await rest(m)
        given = m.board.memory.cash
        sold = [h for h in m.happenings if h.kind == "drop"]
        assert given == (0 if sold else 100)
        assert charged(m) in (0, 75) and (sold or not charged(m))
        return {one for one in m.failed() if one[1] == "board"}, done(events)

    failed, outcomes = machine(script, ALL)
    assert failed == set() and outcomes in ([DELIVERED], [REFUSED])


def test_a_coin_lost_in_a_changer_that_restarts_is_not_the_boards(machine):
    """It fell, and the changer lost its event before anybody asked."""

    async def script(m):
        await open_with(m)
        m.devices.changer.insert(3)
        while not [h for h in m.happenings if h.kind == "coin"]:
            await m.clock.sleep(0.001)
        m.devices.changer.stop()
        m.devices.changer.start()
        await m.polling(2)
        await rest(m)
        assert m.board.memory.cash == 0
        return {one for one in m.failed() if one[0] in MONEY}

    assert machine(script, ALL) == set()
