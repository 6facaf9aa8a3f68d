"""What a power cut leaves of prices, credit and a vend in progress; prices as a whole or not at all.

Every expectation: kit link reference.
"""

import pytest
from crccheck.crc import CrcX25
from kit_wire import wire

OLD = [100, 125, 0, 150, 0xFFFF, 175]  # as the rig sends them
NEW = [110, 135, 10, 160, 20, 185]
VEND_01 = bytes((0, 1, 0, 125))


def raw(prices):
    return b"".join(p.to_bytes(2, "big") for p in prices)


PARTS = [("PRICE-BEGIN", b"\x00\x06")] + [
    ("PRICE-PART", bytes((0, first, 2)) + raw(NEW[first : first + 2])) for first in (0, 2, 4)
]
COMMIT = ("PRICE-COMMIT", CrcX25.calc(raw(NEW)).to_bytes(2, "big"))


async def cut(rig, cause=0):
    rig.board.power_off()
    await rig.clock.sleep(0.3)
    rig.board.power_on(cause)
    await rig.clock.sleep(0.6)


async def in_force(rig):
    return await rig.ok("PRICE-READ", b"\x00\x00\x06")


@pytest.mark.parametrize("sent", range(len(PARTS) + 1))
def test_a_table_cut_after_any_part_leaves_the_old_one(play, sent):
    async def script(rig):
        await rig.priced()
        for name, payload in PARTS[:sent]:
            await rig.ok(name, payload)
        assert await in_force(rig) == raw(OLD)
        await cut(rig)
        await rig.ok("IDENT")
        assert (await rig.poll())[0] == 1  # in force, but not sent in this session
        assert await in_force(rig) == raw(OLD)
        assert (await rig.ask(*COMMIT))[0] == 3  # nothing is staged

    play(script)


def test_a_committed_table_survives(play):
    async def script(rig):
        await rig.priced()
        for name, payload in [*PARTS, COMMIT]:
            await rig.ok(name, payload)
        await cut(rig)
        await rig.ok("IDENT")
        assert await in_force(rig) == raw(NEW)
        assert await rig.ok("PRICE-READ", b"\x00\x04\x02") == raw(NEW[4:])
        for first, n in ((4, 3), (6, 1), (0, 0)):
            assert (await rig.ask("PRICE-READ", bytes((0, first, n))))[0] == 3

    play(script)


CODES = {"PRICE-BEGIN": 8, "PRICE-PART": 9, "PRICE-COMMIT": 10}
BYTE, PATIENCE = 6_250, 25 * 72_000  # ticks: ten bits of 625; from question to question's end at most


async def transferred(rig):
    """The whole new table is sent, whatever comes back. From and to when it took each time, ticks."""
    spans = []
    rig.line.attach("host", True, lambda burst: spans.append((asked.start, burst.end)))
    for name, payload in [*PARTS, COMMIT]:
        rig.seq = (rig.seq + 1) % 256
        asked = rig.line.say("host", tuple(wire(bytes((CODES[name], rig.seq)) + payload)), rig.clock.now())
        await rig.clock.sleep_until(asked.end + PATIENCE)
    rig.line.attach("host", True, rig.answered)
    return spans


def test_power_cut_at_every_byte_of_a_transfer_leaves_the_old_table_or_the_new_one(play):
    """Every byte of every question and answer is cut in turn, and the time between them."""

    async def undisturbed(rig):
        await rig.priced()
        began = rig.clock.now()
        return [(start - began, end - began) for start, end in await transferred(rig)]

    async def script(rig, tick):
        await rig.priced()
        rig.clock.call_at(rig.clock.now() + tick, rig.board.power_off)
        await transferred(rig)
        rig.board.power_on()
        await rig.clock.sleep(0.6)
        await rig.ok("IDENT")
        return await in_force(rig)

    spans = play(undisturbed)
    assert len(spans) == 5
    found = [play(lambda rig, t=t: script(rig, t)) for start, end in spans for t in range(start, end + BYTE, BYTE)]
    assert len(found) > 150
    old = found.count(raw(OLD))
    assert 100 < old < len(found) and found == [raw(OLD)] * old + [raw(NEW)] * (len(found) - old)


BAD = [
    [PARTS[0], PARTS[1], PARTS[2], COMMIT],  # not whole
    [*PARTS, ("PRICE-COMMIT", CrcX25.calc(raw(NEW)).to_bytes(2, "little"))],  # bytes of the check swapped
    [*PARTS, ("PRICE-COMMIT", CrcX25.calc(raw(OLD)).to_bytes(2, "big"))],
]


@pytest.mark.parametrize("steps", BAD)
def test_a_refused_commit_drops_the_staged_table(play, steps):
    async def script(rig):
        await rig.priced()
        for name, payload in steps[:-1]:
            await rig.ok(name, payload)
        assert (await rig.ask(*steps[-1]))[0] == 3
        assert (await rig.ask(*COMMIT))[0] == 3
        assert (await rig.ask(*PARTS[1]))[0] == 3
        assert await in_force(rig) == raw(OLD)

    play(script)


def test_parts_come_ascending_and_without_holes(play):
    async def script(rig):
        await rig.priced()
        await rig.ok(*PARTS[0])
        assert (await rig.ask(*PARTS[2]))[0] == 3  # a hole
        await rig.ok(*PARTS[1])
        assert (await rig.ask(*PARTS[1]))[0] == 3  # again, with a new seq
        assert (await rig.ask("PRICE-PART", bytes((0, 2, 5)) + raw([1] * 5)))[0] == 3  # over the end
        assert (await rig.ask("PRICE-PART", bytes((0, 2, 0))))[0] == 3
        await rig.ok(*PARTS[2])
        await rig.ok(*PARTS[3])
        await rig.ok(*COMMIT)
        assert await in_force(rig) == raw(NEW)

    play(script)


def test_reset_drops_a_staged_table(play):
    async def script(rig):
        await rig.priced()
        for name, payload in PARTS:
            await rig.ok(name, payload)
        await rig.ok("RESET")
        await rig.ok("IDENT")
        assert (await rig.ask(*COMMIT))[0] == 3
        assert await in_force(rig) == raw(OLD)

    play(script)


def credit(source, amount, total):
    return 2, bytes((source,)) + amount.to_bytes(4, "big") + total.to_bytes(4, "big")


@pytest.mark.parametrize("cause", [0, 1, 2])
def test_credit_survives_and_the_start_tells_cause_and_total(play, cause):
    async def script(rig):
        await rig.on_sale(cash=300)
        await cut(rig, cause)
        assert await rig.drain() == [(1, bytes((cause,))), credit(0, 0, 300)]
        assert await rig.ok("RESET") == bytes((1, cause))
        assert (await rig.poll())[:2] == (0, 300)
        assert not rig.purse.enabled

    play(script)


@pytest.mark.parametrize("turning", [0.0, 0.5, 1.3, 1.9])
def test_a_vend_cut_by_power_loss_counts_as_not_delivered(play, turning):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.ok("VEND", VEND_01)
        assert (await rig.poll())[:2] == (4, 175)
        await rig.clock.sleep(turning)
        await cut(rig)
        assert await rig.drain() == [(1, b"\x00"), credit(0, 0, 300), (3, b"\x00\x01\x06")]
        assert (await rig.poll())[1] == 300
        await cut(rig)  # told once: it does not come back with the next start
        assert await rig.drain() == [(1, b"\x00"), credit(0, 0, 300)]
        await rig.clock.sleep(5)
        assert rig.vends() == 1

    play(script)


def test_a_vend_cut_again_during_the_start_is_still_told(play):
    async def script(rig):
        await rig.on_sale(cash=125)
        await rig.ok("VEND", VEND_01)
        rig.board.power_off()
        rig.board.power_on()
        await rig.clock.sleep(0.2)  # not booted yet
        await cut(rig)
        assert await rig.drain() == [(1, b"\x00"), credit(0, 0, 125), (3, b"\x00\x01\x06")]

    play(script)


def test_an_answer_ends_where_the_power_is_cut(play):
    async def script(rig):
        await rig.boot()
        rig.line.say("host", (0x7E, 1, 0, 0x9F, 0x16, 0x7E), rig.clock.now())
        sent = rig.clock.now() + 6 * 6250
        heard = []
        rig.line.attach("host", True, heard.append)
        await rig.clock.sleep_until(sent + 2 * 72_000 + 3 * 6250)  # two ms, then three bytes of the answer
        rig.board.power_off()
        await rig.clock.sleep(0.1)
        assert [len(b.words) for b in heard] == [3]

    play(script)


def test_the_queue_is_lost_and_a_lockout_stays(play):
    async def script(rig):
        await rig.on_sale()
        rig.board.lock_out(2)
        rig.board.door(True)
        await cut(rig)
        assert await rig.drain() == [(1, b"\x00"), credit(0, 0, 0)]  # the queue does not survive
        await rig.ok("IDENT")
        rig.board.door(False)
        assert (await rig.poll())[0] == 5  # the lock-out does
        rig.board.lock_out(0)
        state, _, events = await rig.poll()
        assert state == 1
        assert [(code, data) for _, code, data in events] == [(6, b"\x00\x02")]

    play(script)


@pytest.mark.parametrize("empty, outcome, left", [(False, 0, 175), (True, 1, 300)])
def test_paid_and_not_delivered_gives_the_price_back(play, empty, outcome, left):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.drain()
        if empty:
            rig.coils.empty.add((0, 1))
        await rig.ok("VEND", VEND_01)
        for _ in range(3):  # a whole turn and the look after it, while the watchdog is fed
            await rig.clock.sleep(1)
            await rig.ok("COUNTERS")
        events = await rig.drain()
        assert events[:2] == [credit(0, 0, 175), (3, bytes((0, 1, outcome)))]
        assert [e for e in events[2:] if e[0] == 2] == ([credit(0, 125, 300)] if empty else [])
        assert (await rig.poll())[:2] == (3, left)

    play(script)


def test_the_door_stops_a_vend_and_ends_the_sale(play):
    async def script(rig):
        await rig.on_sale(cash=300)
        await rig.ok("VEND", VEND_01)
        rig.board.door(True)
        state, credit, events = await rig.poll()
        assert (state, credit) == (6, 300)
        assert b"\x00\x01\x05" in [data for _, code, data in events if code == 3]
        rig.board.door(False)
        assert (await rig.poll())[0] == 2

    play(script)


def test_refund_gives_what_is_unspent_and_no_more(play):
    async def script(rig):
        await rig.on_sale(cash=300)
        assert await rig.ok("REFUND") == (300).to_bytes(4, "big")
        assert await rig.ok("REFUND") == bytes(4)
        assert rig.purse.paid == [300]
        rig.board.power_off()
        rig.board.power_on()
        await rig.clock.sleep(0.6)
        assert rig.purse.paid == [300]  # a new bus side: money owed survives and is paid out
        assert (await rig.poll())[1] == 0

    play(script)
