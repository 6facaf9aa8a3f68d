"""The board's session with the host, by frames in virtual time. Every expectation: kit link reference."""

import pytest

PRICES = [100, 125, 0, 150, 0xFFFF, 175]  # as the rig sends them: row 0, then row 1
VEND_01 = bytes((0, 1, 0, 125))  # row 0, column 1 at its price
TABLE = bytes((0, 0, 6)) + b"".join(p.to_bytes(2, "big") for p in PRICES)
MS = 72_000

# ---- the table of allowed operations: every state by every operation

LEGAL = {
    "RESET": b"", "IDENT": b"", "POLL": b"", "CLOCK": bytes(4), "COUNTERS": b"", "PRICE-BEGIN": b"\x00\x06",
    "PRICE-PART": TABLE, "PRICE-COMMIT": b"\x00\x00", "SETPOINT": b"\x01\x00\x32", "PRICE-READ": b"\x00\x00\x06",
    "SURVEY": b"", "SURVEY-READ": b"\x00", "OPEN-SALE": b"", "CLOSE-SALE": b"", "VEND": VEND_01, "REFUND": b"",
}  # fmt: skip
# Where PRICE-PART and PRICE-COMMIT are allowed they get 3: no PRICE-BEGIN before. PRICE-READ in 1: no table.
ORDER = ["PRICE-BEGIN", "PRICE-PART", "PRICE-COMMIT", "SETPOINT", "PRICE-READ", "SURVEY", "SURVEY-READ", "OPEN-SALE", "CLOSE-SALE", "VEND", "REFUND"]
STATUSES = {
    "starting": (0, "4 4 4 4 4 4 4 4 4 4 4"),
    "identified": (1, "0 3 3 0 3 0 0 4 4 4 4"),
    "priced": (2, "0 3 3 0 0 0 0 0 0 4 0"),
    "sale": (3, "4 4 4 4 0 4 0 4 0 0 0"),
    "vending": (4, "5 5 5 5 0 5 0 4 4 5 4"),
    "locked": (5, "6 6 6 6 0 6 0 6 6 6 0"),
    "service": (6, "0 3 3 0 0 0 0 4 4 4 0"),
    "service, locked": (6, "0 3 3 0 0 0 0 6 6 6 0"),
    "starting, locked": (0, "6 6 6 6 4 6 4 6 6 6 4"),
    "priced, surveying": (2, "5 5 5 5 0 5 0 0 0 5 0"),
    "sale, surveying": (3, "5 5 5 5 0 5 0 4 0 5 0"),
    "locked, surveying": (5, "6 6 6 6 0 6 0 6 6 6 0"),
    "vending, locked": (5, "6 6 6 6 0 6 0 6 6 6 0"),
    "vending, starting": (0, "5 5 5 5 4 5 4 4 4 5 4"),
}


async def bring_to(rig, state):
    if "starting" in state and "vending" not in state:
        await rig.boot()
    elif state == "identified":
        await rig.boot()
        await rig.ok("IDENT")
    elif state in ("sale", "sale, surveying") or "vending" in state:
        await rig.on_sale(cash=300)
    else:
        await rig.priced()
    if "surveying" in state:
        if "sale" in state:
            await rig.ok("CLOSE-SALE")
        await rig.ok("SURVEY")
        if "sale" in state:
            await rig.ok("OPEN-SALE")
    if "vending" in state:
        await rig.ok("VEND", VEND_01)
    if "locked" in state:
        rig.board.lock_out(1)
    if "service" in state:
        rig.board.door(True)
    if state == "vending, starting":
        await rig.ok("RESET")


@pytest.mark.parametrize("state", STATUSES)
def test_every_operation_in_every_state(play, state, monkeypatch):
    monkeypatch.setattr("benchsim.machine.coils.SURVEY_STEP", 72_000_000)  # long enough to be asked during it
    number, row = STATUSES[state]
    expected = dict(zip(ORDER, map(int, row.split()), strict=True))
    assert set(LEGAL) - set(expected) == {"RESET", "IDENT", "POLL", "CLOCK", "COUNTERS"}  # ok in any state

    async def cell(rig, name):
        await bring_to(rig, state)
        assert (await rig.poll())[0] == number
        return (await rig.ask(name, LEGAL[name]))[0]

    got = {name: play(lambda rig, name=name: cell(rig, name)) for name in LEGAL}
    assert got == {name: expected.get(name, 0) for name in LEGAL}


# ---- which status comes first where several apply: 2, 1, 6, 5, 4, 3, 7


@pytest.mark.parametrize(
    "state, name, payload, status",
    [
        ("locked", "PRICE-BEGIN", b"\x00", 1), ("vending", "VEND", b"\x00", 1), ("starting", "VEND", b"\x00", 1),
        ("sale", "POLL", b"\x00", 1), ("priced", "PRICE-PART", TABLE[:-1], 1),
        ("vending, locked", "VEND", VEND_01, 6), ("locked", "SETPOINT", b"\x09\x00\x32", 6),
        ("vending", "VEND", bytes((9, 9, 0, 1)), 5), ("vending", "SETPOINT", b"\x09\x00\x32", 5),
        ("sale", "SETPOINT", b"\x09\x00\x32", 4), ("priced", "VEND", bytes((9, 9, 0, 1)), 4),
        ("identified", "SETPOINT", b"\x09\x00\x32", 3), ("priced", "PRICE-BEGIN", b"\x00\x05", 3),
        ("sale", "VEND", bytes((0, 1, 0, 126)), 3), ("sale", "VEND", bytes((2, 0, 0, 100)), 3),
        ("sale", "VEND", bytes((0, 3, 0, 150)), 3), ("sale", "VEND", bytes((1, 1, 255, 255)), 3),
        ("sale", "VEND", bytes((0, 2, 0, 0)), 0),
    ],
)  # fmt: skip
def test_the_first_status_that_applies(play, state, name, payload, status):
    async def script(rig):
        await bring_to(rig, state)
        assert (await rig.ask(name, payload))[0] == status

    play(script)


@pytest.mark.parametrize("state", ["starting", "sale", "vending", "locked"])
def test_an_unknown_operation_is_told_before_all_else(play, state):
    async def script(rig):
        await bring_to(rig, state)
        assert await rig.body(b"\x55\xc8" + bytes(50)) == b"\xd5\xc8\x02"

    play(script)


def test_no_credit_is_told_last_and_a_missing_coil_before_it(play):
    async def script(rig):
        await rig.on_sale()
        assert (await rig.ask("VEND", VEND_01))[0] == 7
        assert (await rig.ask("VEND", bytes((0, 1, 0, 126))))[0] == 3
        await rig.ok("CLOSE-SALE")
        rig.coils.missing.add((0, 1))
        await rig.ok("SURVEY")
        await rig.clock.sleep(1.0)
        assert (10, b"\x00\x05") in await rig.drain()  # SURVEY-DONE: five of six coils
        assert await rig.ok("SURVEY-READ", b"\x00") == b"\x02\x00\x05\x00\x07"
        await rig.ok("OPEN-SALE")
        assert (await rig.ask("VEND", VEND_01))[0] == 3
        assert rig.vends() == 0

    play(script)


# ---- exchange: repeats, events


def test_a_repeat_of_vend_turns_the_coil_once(play):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.ok("VEND", VEND_01)
        for _ in range(3):
            assert (await rig.ask("VEND", VEND_01, same=True))[0] == 0
        await rig.clock.sleep(3)
        assert (await rig.ask("VEND", VEND_01, same=True))[0] == 0  # after it ended, too
        assert (rig.vends(), rig.board.memory.cash) == (1, 175)
        assert [data for code, data in await rig.drain() if code == 3] == [b"\x00\x01\x00"]
        counters = await rig.ok("COUNTERS")
        assert int.from_bytes(counters[8:12], "big") == 1

    play(script)


def test_broken_frames_get_no_answer_and_are_counted(play):
    async def script(rig):
        await rig.boot()
        before = rig.spoken
        rig.line.say("host", (0x7E, 3, 1, 0, 0, 0x7E), rig.clock.now())
        await rig.clock.sleep(0.1)
        assert rig.spoken == before
        counters = await rig.ok("COUNTERS")
        assert (int.from_bytes(counters[:4], "big"), int.from_bytes(counters[4:8], "big")) == (1, 1)

    play(script)


def test_events_are_offered_until_the_next_seq_which_must_not_be_a_reset(play):
    async def script(rig):
        await rig.boot()
        _, _, first = await rig.poll()
        assert [(code, data) for _, code, data in first] == [(1, b"\x00"), (2, bytes(9))]  # BOOTED, then CREDIT 0
        assert (await rig.poll(same=True))[2] == first  # a repeat
        rig.seq += 1  # a seq left out acknowledges nothing
        assert (await rig.poll())[2] == first
        await rig.ok("RESET")  # neither does RESET, and it withdraws BOOTED
        assert (await rig.poll())[2] == first[1:]
        rig.board.door(True)
        _, _, second = await rig.poll()
        assert second == [((first[1][0] + 1) % 256, 4, b"\x01")]
        await rig.ok("CLOCK", bytes(4))  # any other request with the next seq does acknowledge
        assert (await rig.poll())[2] == []

    play(script)


def test_reset_restarts_the_session_only(play):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.ok("VEND", VEND_01)
        assert await rig.ok("RESET") == b"\x01\x00"  # version 1, started by power-on
        state, credit, events = await rig.poll()
        assert (state, credit) == (0, 175)
        assert [code for _, code, _ in events] == [2, 2, 2]  # no BOOTED, credit events kept
        assert await rig.ok("IDENT")
        assert (await rig.poll())[0] == 4
        await rig.clock.sleep(3)
        assert (await rig.poll())[0] == 1  # the table was not sent in this session
        assert rig.board.memory.prices == PRICES
        assert rig.vends() == 1

    play(script)


# ---- watchdog


def test_a_silent_host_ends_the_sale_within_the_limits_and_is_told_once(play):
    async def script(rig):
        await rig.on_sale(cash=50)
        await rig.drain()
        last = rig.answers[0][0].start - 2 * MS  # the rig's board answers 2 ms after the request's end
        await rig.clock.sleep_until(last + 2000 * MS - 1)
        assert rig.board.sale
        await rig.clock.sleep_until(last + 2100 * MS)
        assert not rig.board.sale
        await rig.clock.sleep(1.0)
        state, credit, events = await rig.poll()
        silence = (rig.answers[0][0].start - 2 * MS - last) // MS
        assert (state, credit) == (2, 50)
        assert [(code, data) for _, code, data in events] == [(9, silence.to_bytes(4, "big"))]
        assert await rig.drain() == []  # acknowledged, and not told again
        await rig.ok("OPEN-SALE")  # from 2 this alone reopens
        assert (await rig.poll())[0] == 3

    play(script)


def test_a_host_that_only_repeats_is_not_silent(play):
    async def script(rig):
        await rig.on_sale()
        await rig.drain()
        for _ in range(60):
            await rig.ask("POLL", same=True)
        assert rig.board.sale

    play(script)


def test_no_link_lost_before_the_first_valid_request_since_the_start(play):
    async def script(rig):
        await rig.boot()
        await rig.clock.sleep(10)
        assert [code for code, _ in await rig.drain()] == [1, 2]

    play(script)


def test_payment_is_off_while_few_places_are_free_and_on_again_after(play):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.drain()
        assert rig.purse.enabled
        for _ in range(25):  # 32 places: 7 are left
            assert rig.purse.enabled
            rig.purse.told("credit", source="coin", amount=5)
        assert not rig.purse.enabled
        assert (await rig.ask("VEND", VEND_01))[0] == 5
        assert len(await rig.drain()) == 25
        assert rig.purse.enabled
        await rig.ok("VEND", VEND_01)

    play(script)
