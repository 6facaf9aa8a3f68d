"""The host against a board that this file plays by hand: start, polling, events, failures, vends.

Rules and times: kit link reference. Frames are made with the crccheck library.
"""

from itertools import pairwise
from types import SimpleNamespace

import pytest
from crccheck.crc import CrcX25
from kit_wire import unwire, wire

from benchsim.clock import run
from benchsim.events import FRAMING
from benchsim.lines import Line, Trace
from benchsim.schema import load_book
from benchsim.seats.host import Host

MS = 72_000
PRICES = [100, 125, 0, 150, 0xFFFF, 175]
IDENT = b"BENCH       TEST        000000000001" + b"\x01\x00" + b"\x02\x03"  # two rows of three
RESET, IDENTIFY, POLL, OPEN, VEND, BEGIN, PART, COMMIT, CLOCK = 1, 2, 3, 4, 6, 8, 9, 10, 14


class Script:
    """A board that answers as told: `state`, `credit`, `events` [(number, code, data)], `late` ticks."""

    def __init__(self, clock):
        book = load_book()
        self.clock, self.trace = clock, Trace(clock)
        self.line = Line("kit", book.kit.word.ticks, clock, self.trace)
        self.line.attach("board", False, self.asked)
        self.host = Host(book.kit, book.panel, clock, self.line, None, self.trace, PRICES)
        self.state, self.credit, self.events = 0, 0, []
        self.status, self.mute, self.late, self.hurt = {}, set(), 2 * MS, 0
        self.heard = []  # (start, body)

    def asked(self, burst):
        body = unwire(burst.words)
        self.heard.append((burst.start, body))
        if body[0] in self.mute or "all" in self.mute:
            return
        status = self.status.get(body[0], 0)
        rest = b"" if status else self.rest(body[0])
        words = list(wire(bytes((body[0] | 0x80, body[1], status)) + rest))
        if self.hurt:
            self.hurt -= 1
            words[2] |= FRAMING
        self.line.say("board", tuple(words), burst.end + self.late)

    def rest(self, op):
        if op == POLL:
            packed = b"".join(bytes((n, code, len(data))) + data for n, code, data in self.events)
            return bytes((self.state,)) + self.credit.to_bytes(4, "big") + bytes((len(self.events),)) + packed
        if op in (OPEN, VEND):
            self.state = 3 if op == OPEN else 4
        if op == RESET:  # withdraws BOOTED
            self.events = [event for event in self.events if event[1] != 1]
        return {RESET: b"\x01\x00", IDENTIFY: IDENT}.get(op, b"")

    def ops(self, *without):
        return [body[0] for _, body in self.heard if body[0] not in without]

    def starts(self, op):
        return [start for start, body in self.heard if body[0] == op]

    async def selling(self):
        self.host.power_on()
        await self.clock.sleep(1)
        assert self.host.state == 3
        self.heard.clear()


def play(script):
    async def main(clock):
        return await script(Script(clock))

    return run(main)


def test_a_start_is_reset_ident_whole_table_open_sale():
    async def script(b):
        b.host.power_on()
        await b.clock.sleep(1)
        assert b.ops(POLL, CLOCK) == [RESET, IDENTIFY, BEGIN, PART, COMMIT, OPEN]
        bodies = {body[0]: body[2:] for _, body in b.heard}
        raw = b"".join(p.to_bytes(2, "big") for p in PRICES)
        assert (bodies[BEGIN], bodies[PART]) == (b"\x00\x06", b"\x00\x00\x06" + raw)
        # CRC-16/X-25 over the prices, high byte first
        assert bodies[COMMIT] == CrcX25.calc(raw).to_bytes(2, "big")
        seqs = [body[1] for _, body in b.heard]
        assert seqs == [(seqs[0] + i) % 256 for i in range(len(seqs))]

    play(script)


def test_polls_come_in_their_time():
    async def script(b):
        await b.selling()
        await b.clock.sleep(5)
        polls = b.starts(POLL)
        assert len(polls) > 20
        assert all(50 * MS <= two - one <= 250 * MS for one, two in pairwise(polls))

    play(script)


def test_four_tries_then_resets_in_their_time_then_the_whole_start_again():
    async def script(b):
        await b.selling()
        b.mute = {"all"}
        await b.clock.sleep(5)
        first = next(i for i, (_, body) in enumerate(b.heard) if body[0] == RESET)
        assert len({body for _, body in b.heard[first - 4 : first]}) == 1
        assert b.heard[first - 5][1] != b.heard[first - 4][1]
        tries = [start for start, _ in b.heard[first - 4 : first]]
        length = len(wire(b.heard[first - 1][1])) * 6250
        waits = [two - one - length for one, two in pairwise(tries)]
        assert all(40 * MS <= wait <= 100 * MS for wait in waits)
        resets = b.heard[first:]
        assert {body[0] for _, body in resets} == {RESET}
        assert len({body[1] for _, body in resets}) == len(resets) > 3  # single tries, each with a new seq
        starts = [start for start, _ in resets]
        assert starts[0] - tries[-1] - length <= 1100 * MS  # its wait, then at most 1000 ms
        assert all(500 * MS <= two - one <= 1000 * MS for one, two in pairwise(starts))
        b.mute, b.state = set(), 0
        b.heard.clear()
        await b.clock.sleep(2)
        assert b.ops(POLL, CLOCK) == [RESET, IDENTIFY, BEGIN, PART, COMMIT, OPEN]

    play(script)


@pytest.mark.parametrize("spoilt", [1, 2, 3])
def test_a_spoilt_answer_is_asked_for_again_with_the_same_bytes(spoilt):
    async def script(b):
        await b.selling()
        b.hurt = spoilt
        await b.clock.sleep(1)
        polls = [body for _, body in b.heard if body[0] == POLL]
        assert polls[: spoilt + 1] == [polls[0]] * (spoilt + 1)
        assert polls[spoilt + 1] != polls[0]
        assert RESET not in b.ops()

    play(script)


def test_an_answer_that_began_in_time_is_awaited_to_its_end():
    async def script(b):
        await b.selling()
        b.events = [(i, 2, bytes(9)) for i in range(1, 9)]  # a long answer: over 100 bytes, over 8 ms
        b.late = 58 * MS
        await b.clock.sleep(1)
        polls = [body for _, body in b.heard if body[0] == POLL]
        assert len(set(polls)) == len(polls) > 3  # no repeat

    play(script)


DONE = bytes((0, 1, 0))


def handled(b):
    """Outcomes of the VEND-DONE that the host took."""
    took = []
    b.host._event_vend_done = lambda fields: took.append(fields["outcome"])
    return took


def test_an_event_offered_again_is_taken_once():
    async def script(b):
        await b.selling()
        took = handled(b)
        b.events = [(7, 3, DONE)]
        await b.clock.sleep(0.5)
        assert took == [0]
        b.events = [(7, 3, b"\x00\x01\x01"), (8, 3, DONE)]  # no RESET between: the number alone counts
        await b.clock.sleep(0.5)
        assert took == [0, 0]

    play(script)


def test_booted_forgets_the_numbers_and_starts_the_session_again():
    async def script(b):
        await b.selling()
        took = handled(b)
        b.events = [(2, 3, DONE)]
        await b.clock.sleep(0.3)
        b.events, b.state = [(1, 1, b"\x00")], 0
        b.heard.clear()
        await b.clock.sleep(0.15)
        b.events = [(2, 3, DONE)]
        await b.clock.sleep(1)
        assert b.ops(POLL, CLOCK) == [RESET, IDENTIFY, BEGIN, PART, COMMIT, OPEN]
        assert took == [0, 0]

    play(script)


async def with_a_reset_between(b, before, *after):
    """Offer `before`, lose the link long enough for a RESET, then offer `after`, a POLL answer each."""
    await b.selling()
    took = handled(b)
    b.events = before
    await b.clock.sleep(0.3)
    b.mute, b.events = {"all"}, []
    await b.clock.sleep(1)
    b.mute, b.state = set(), 0
    for b.events in after:
        await b.clock.sleep(1)
    return took


@pytest.mark.parametrize(
    "before, after, taken",
    [
        ([(7, 3, DONE)], [[(7, 3, DONE)]], [0]),  # number and content: the same event
        ([(7, 3, DONE)], [[(7, 3, b"\x00\x01\x02")]], [0, 2]),  # the number alone: a start was hidden
        ([(7, 8, DONE)], [[(7, 3, DONE)]], [0]),  # equal data of another event (DEVICE): another content
        ([(7, 3, DONE)], [[(1, 4, b"\x01")], [(7, 3, b"\x00\x01\x02")]], [0, 2]),  # long after the RESET, too
        ([(7, 3, DONE)], [[], [(7, 3, DONE)]], [0]),
    ],
)
def test_across_a_reset_number_and_content_count(before, after, taken):
    async def script(b):
        assert await with_a_reset_between(b, before, *after) == taken

    play(script)


def test_a_tap_sells_once_at_the_price_of_the_table():
    async def script(b):
        await b.selling()
        b.credit = 200
        await b.clock.sleep(0.3)
        b.host.tapped(0, 1)
        b.host.tapped(0, 1)
        await b.clock.sleep(0.5)
        assert [body[2:] for _, body in b.heard if body[0] == VEND] == [b"\x00\x01\x00\x7d"]

    play(script)


@pytest.mark.parametrize(
    "credit, state, row, column, sells",
    [
        (125, 3, 0, 1, True), (124, 3, 0, 1, False), (0, 3, 0, 2, True), (999, 3, 1, 1, False),
        (0xFFFFFFFF, 3, 0, 1, True), (999, 5, 0, 1, False), (999, 6, 0, 1, False), (999, 4, 0, 1, False),
    ],
)  # fmt: skip
def test_what_may_be_sold(credit, state, row, column, sells):
    async def script(b):
        await b.selling()
        b.credit, b.state = credit, state
        await b.clock.sleep(0.3)
        b.host.tapped(row, column)
        await b.clock.sleep(0.05)
        assert (VEND in b.ops()) == sells

    play(script)


def test_a_tap_without_money_shows_the_price_at_once():
    async def script(b):
        told = []
        b.trace.listeners.append(SimpleNamespace(burst=lambda burst: None, happening=told.append))
        await b.selling()
        told.clear()
        b.host.tapped(0, 1)
        await b.clock.sleep(0.5)  # told is what polls and timers moved on
        assert [one.data["text"] for one in told if one.kind == "screen"] == ["Choose a product | credit 0.00 | price 1.25"]

    play(script)


def test_a_vend_that_never_reached_the_board_does_not_stop_the_next_one():
    async def script(b):
        await b.selling()
        b.credit = 200
        await b.clock.sleep(0.3)
        b.mute = {VEND}
        b.host.tapped(0, 1)
        await b.clock.sleep(2)
        assert b.ops().count(VEND) == 4
        assert RESET in b.ops()
        b.mute = set()
        b.heard.clear()
        b.host.tapped(0, 0)
        await b.clock.sleep(0.3)
        assert [body[2:] for _, body in b.heard if body[0] == VEND] == [b"\x00\x00\x00\x64"]

    play(script)


@pytest.mark.parametrize("refuser", [BEGIN, PART, COMMIT])
def test_a_refused_table_is_sent_three_times_in_all(refuser):
    async def script(b):
        b.status = {refuser: 3}
        b.host.power_on()
        await b.clock.sleep(3)
        assert (b.ops().count(BEGIN), OPEN in b.ops()) == (3, False)

    play(script)


def test_from_priced_open_sale_alone_reopens():
    async def script(b):
        await b.selling()
        b.state = 2
        await b.clock.sleep(0.5)
        assert b.ops(POLL, CLOCK) == [OPEN]

    play(script)
