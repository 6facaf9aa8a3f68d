"""Both sides of the audit link without lines or clocks, and against a hand that knows the link (EVA DTS 6.1, DEX/UCS
link layer, from memory; asking again with ENQ: ISO 1745)."""

import heapq
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds audit_by_hand
from audit_by_hand import ACK0, ACK1, ENQ, EOT, MS, NAK, WAIT, WORD, block, burst

from benchsim.links.audit_sides import BoardSide, ReaderSide
from benchsim.schema import load_book

SPEC = load_book().audit
REQUEST = block(b"BSR0000001RR01L01", head=True)
RESPONSE = block(b"00BSM0000001R01L01", head=True)
TEXT = b"".join(f"PA1*{n:03}*125\r\n".encode() for n in range(40))  # 560 bytes: 245 + 245 + 70
BLOCKS = [block(TEXT[:245], last=False), block(TEXT[245:490], last=False), block(TEXT[490:])]
SECOND = 1000 * MS


class Hand:
    """One side, and a hand in the other's place: `say` what it says, look at what came with `heard`."""

    def __init__(self, side, out, **more):
        self.now, self.came, self.out = 0, [], out
        self.ended = []
        if side is ReaderSide:
            self.side = side(SPEC, self.take, "BSR0000001")
            self.side.read(lambda text, why, now: self.ended.append((text, why)), 0)
        else:
            self.side = side(SPEC, self.take, "BSM0000001", lambda now: TEXT, lambda why, now: self.ended.append(why))

    def take(self, wire, at):
        self.came.append((wire, at))
        return at + len(wire) * WORD

    def let(self, until):
        """Time passes."""
        while (due := self.side.deadline) is not None and due <= until:
            self.now = max(self.now, due)
            self.side.due(self.now)
        self.now = max(self.now, until)

    def heard(self):
        """What came since the last time; the clock stands at its end."""
        came, self.came = self.came, []
        if came:
            self.let_quiet(came[-1][1] + len(came[-1][0]) * WORD)
        return b"".join(wire for wire, _ in came)

    def let_quiet(self, until):
        self.now = max(self.now, until)

    def say(self, wire):
        """Ten milliseconds later the hand says this. Returns what is answered at once."""
        self.let(self.now + 10 * MS)
        one = burst(wire, self.now, not self.out)
        self.now = one.end
        self.side.hear(one)
        while not self.came and (due := self.side.deadline) is not None and due <= self.now + 150 * MS:
            self.let(due)
        return self.heard()


def reader_to_data():
    hand = Hand(ReaderSide, True)
    assert hand.heard() == ENQ
    assert hand.say(ACK0) == REQUEST
    assert hand.say(ACK1) == EOT
    assert hand.say(ENQ) == ACK0
    assert hand.say(RESPONSE) == ACK1
    assert hand.say(EOT) == b""
    assert hand.say(ENQ) == ACK0
    return hand


def board_to_data():
    hand = Hand(BoardSide, False)
    assert hand.say(ENQ) == ACK0
    assert hand.say(REQUEST) == ACK1
    assert hand.say(EOT) == ENQ
    assert hand.say(ACK0) == RESPONSE
    assert hand.say(ACK1) == EOT + ENQ
    return hand


def test_a_reader_reads():
    hand = reader_to_data()
    assert [hand.say(one) for one in BLOCKS] == [ACK1, ACK0, ACK1]
    assert hand.ended == []
    hand.say(EOT)
    assert hand.ended == [(TEXT, "")]


def test_a_board_is_read():
    hand = Hand(BoardSide, False)
    got = [hand.say(one) for one in (ENQ, REQUEST, EOT, ACK0)]
    assert got == [ACK0, ACK1, ENQ, RESPONSE]
    assert hand.say(ACK1) == EOT + ENQ
    assert [hand.say(one) for one in (ACK0, ACK1, ACK0, ACK1)] == [*BLOCKS, EOT]
    assert hand.ended == [""]


# ---- the reader's side


@pytest.mark.parametrize("bad", [block(TEXT[:245], last=False, spoil=1), b"\x10\x02" + TEXT[:50] + BLOCKS[0]])
def test_a_bad_block_is_asked_for_again(bad):
    hand = reader_to_data()
    assert NAK in hand.say(bad)
    hand = reader_to_data()
    assert hand.say(block(TEXT[:245], last=False, spoil=1)) == NAK
    assert [hand.say(one) for one in BLOCKS] == [ACK1, ACK0, ACK1]
    hand.say(EOT)
    assert hand.ended == [(TEXT, "")]


def test_a_block_said_twice_counts_once():
    """The answer was damaged and the sender says its block again, or asks with ENQ."""
    hand = reader_to_data()
    said = [BLOCKS[0], BLOCKS[0], ENQ, BLOCKS[1], BLOCKS[1], BLOCKS[2], BLOCKS[2], ENQ]
    assert [hand.say(one) for one in said] == [ACK1, ACK1, ACK1, ACK0, ACK0, ACK1, ACK1, ACK1]
    hand.say(EOT)
    assert hand.ended == [(TEXT, "")]


def test_a_lost_eot_is_made_up_for_by_silence():
    hand = reader_to_data()
    for one in BLOCKS:
        hand.say(one)
    hand.let(hand.now + 2 * SECOND)
    assert hand.ended == [(TEXT, "")]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ([], "data: the other side fell silent"),
        ([BLOCKS[0], EOT], "data: it was ended before its last block"),
        ([block(b"hello", head=True), EOT], "data: a handshake block among the data"),
    ],
)
def test_why_there_is_no_text(said, why):
    hand = reader_to_data()
    for one in said:
        hand.say(one)
    hand.let(hand.now + 10 * SECOND)
    assert hand.ended == [(None, why)]


@pytest.mark.parametrize(
    ("response", "why"),
    [
        (b"01BSM0000001R01L01", "second handshake: refused (01)"),
        (b"xxBSM0000001R01L01", "second handshake: result = xx, expected two digits"),
        (b"00BSM", "second handshake: 5 characters, expected 18"),
    ],
)
def test_a_response_that_is_none(response, why):
    hand = Hand(ReaderSide, True)
    assert hand.heard() == ENQ
    for one in (ACK0, ACK1, ENQ, block(response, head=True), EOT):
        hand.say(one)
    assert hand.ended == [(None, why)]


def test_five_bids_then_none():
    hand = Hand(ReaderSide, True)
    hand.let(20 * SECOND)
    assert [wire for wire, _ in hand.came] == [ENQ] * 5 + [EOT]
    assert hand.ended == [(None, "first handshake: no good answer after five tries")]
    starts = [at for _, at in hand.came[:5]]
    assert all(b - a >= SECOND for a, b in zip(starts, starts[1:], strict=False))


# ---- the board's side


def in_data():
    """The board has said its first block."""
    hand = board_to_data()
    got = hand.say(ACK0)
    assert got == BLOCKS[0]
    return hand


def test_nak_has_the_block_once_more():
    hand = in_data()
    assert hand.say(NAK) == BLOCKS[0]
    assert hand.say(ACK1) == BLOCKS[1]


def test_no_answer_is_asked_for_with_enq():
    hand = in_data()
    hand.let(hand.now + 1100 * MS)
    assert hand.heard() == ENQ
    assert hand.say(ACK0) == BLOCKS[0]  # the answer before: the block never arrived
    assert hand.say(ACK1) == BLOCKS[1]
    hand.let(hand.now + 1100 * MS)
    assert hand.heard() == ENQ
    assert hand.say(ACK0) == BLOCKS[2]  # it did: only its answer was lost


def test_a_wrong_number_is_doubted():
    hand = in_data()
    assert hand.say(ACK0) == ENQ
    assert hand.say(ACK1) == BLOCKS[1]


def test_wait_is_waited_for():
    hand = in_data()
    for _ in range(8):
        assert hand.say(WAIT) == ENQ
    assert hand.say(ACK1) == BLOCKS[1]


def test_five_tries_of_a_block():
    hand = in_data()
    for _ in range(4):
        assert hand.say(NAK) == BLOCKS[0]
    hand.say(NAK)
    hand.let(hand.now + 2 * SECOND)
    assert hand.ended == ["data: no good answer after five tries"]


def test_a_reader_that_went_away_and_comes_again():
    hand = in_data()
    hand.let(hand.now + 2500 * MS)
    hand.heard()
    got = [hand.say(one) for one in (ENQ, REQUEST, EOT, ACK0)]
    assert got == [ACK0, ACK1, ENQ, RESPONSE]


@pytest.mark.parametrize("operation", [b"S", b"C", b"X"])
def test_anything_but_a_reading_is_turned_down(operation):
    hand = Hand(BoardSide, False)
    hand.say(ENQ)
    hand.say(block(b"BSR0000001" + operation + b"R01L01", head=True))
    assert hand.say(EOT) == ENQ
    assert hand.say(ACK0) == block(b"01BSM0000001R01L01", head=True)
    assert hand.say(ACK1) == EOT
    (why,) = hand.ended
    assert why.startswith("second handshake: ")


@given(st.lists(st.sampled_from([ENQ, EOT, NAK, ACK0, ACK1, WAIT, REQUEST, RESPONSE, *BLOCKS, b"\x10", b"xyz"]), max_size=25))
def test_anything_may_be_said_to_either(said):
    for side, out in ((ReaderSide, True), (BoardSide, False)):
        hand = Hand(side, out)
        for one in said:
            hand.say(one)
        hand.let(hand.now + 60 * SECOND)
        assert hand.side.part is None  # nothing hangs
        assert side is BoardSide or len(hand.ended) == 1


# ---- both against each other over a wire that damages


class Wire:
    """Two sides in one time; `damage(number, wire)` gives what arrives of the so-many-th thing said."""

    def __init__(self, damage):
        self.queue, self.order, self.damage, self.said = [], 0, damage, 0
        self.texts, self.told = [], []
        self.board = BoardSide(SPEC, self.sayer(False), "BSM0000001", lambda now: TEXT, lambda why, now: self.told.append(why))
        self.reader = ReaderSide(SPEC, self.sayer(True), "BSR0000001")

    def sayer(self, out):
        def say(wire, at):
            self.said += 1
            arrives = self.damage(self.said, wire)
            if arrives:
                self.order += 1
                one = burst(arrives, at, out)
                heapq.heappush(self.queue, (one.end, self.order, one))
            return at + len(wire) * WORD

        return say

    def run(self):
        self.reader.read(lambda text, why, now: self.texts.append((text, why)), 0)
        for _ in range(3000):
            due = min((s.deadline for s in (self.board, self.reader) if s.deadline is not None), default=None)
            if self.queue and (due is None or self.queue[0][0] <= due):
                _, _, one = heapq.heappop(self.queue)
                (self.board if one.out else self.reader).hear(one)
            elif due is not None:
                for side in (self.board, self.reader):
                    if side.deadline is not None and side.deadline <= due:
                        side.due(due)
            else:
                return
        raise AssertionError("it never ends")


def test_without_damage():
    wire = Wire(lambda number, said: said)
    wire.run()
    assert (wire.texts, wire.told) == ([(TEXT, "")], [""])
    assert wire.said == 19


@pytest.mark.parametrize("at", range(1, 20))
@pytest.mark.parametrize("how", ["lost", "flipped", "cut"])
def test_any_one_thing_lost_or_damaged_costs_no_byte(at, how):
    """Whatever of a session's 19 things is hit once: the text comes whole, no block is doubled or lost."""

    def damage(number, said):
        if number != at:
            return said
        return {"lost": b"", "flipped": bytes((said[0] ^ 0x40,)) + said[1:], "cut": said[: len(said) // 2]}[how]

    wire = Wire(damage)
    wire.run()
    assert wire.texts == [(TEXT, "")]


@settings(max_examples=150)
@given(st.dictionaries(st.integers(1, 40), st.sampled_from(["lost", "flipped", "cut"]), max_size=4))
def test_a_text_that_comes_is_the_right_one(hits):
    """Several damages: there may be no text, never a wrong one. (Damage that makes one code of another is not tried.)"""

    def damage(number, said):
        how = hits.get(number)
        return said if how is None else {
            "lost": b"", "flipped": bytes((said[0] ^ 0x40,)) + said[1:], "cut": said[: len(said) // 2]}[how]  # fmt: skip

    wire = Wire(damage)
    wire.run()
    ((text, why),) = wire.texts
    assert text == TEXT if not why else text is None


@pytest.mark.parametrize("number", range(1, 20))
def test_an_ack_that_turns_into_the_other_one(number):
    """ACK0 read as ACK1 and the other way round: asked again with ENQ, and nothing is lost or doubled."""
    other = {ACK0: ACK1, ACK1: ACK0}
    wire = Wire(lambda n, said: other.get(said, said) if n == number else said)
    wire.run()
    assert wire.texts == [(TEXT, "")]
