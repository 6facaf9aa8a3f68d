"""Both sides of the kit link without lines or clocks: tries, waits, repeats, answers to something else.

Rules and times: kit link reference. Wire bytes are made with the crccheck library.
"""

from crccheck.crc import CrcX25
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import Burst
from benchsim.links.kit_sides import Answerer, Asker
from benchsim.schema import load_book

SPEC = load_book().kit
WORD = 6250  # ten bits at 115,200 baud, ticks
MS = 72_000
WAIT = 60 * MS  # kit link reference: nominal wait for the first byte of an answer


def wire(body: bytes) -> bytes:
    whole = body + CrcX25.calc(body).to_bytes(2, "little")
    inner = b"".join(bytes((0x7D, b ^ 0x20)) if b in (0x7E, 0x7D) else bytes((b,)) for b in whole)
    return b"\x7e" + inner + b"\x7e"


def burst(words, start, out):
    return Burst(start, start + len(words) * WORD, "kit", out, "", tuple(words))


class Host:
    """An asker with what it has said and how its requests ended."""

    def __init__(self):
        self.said, self.ended = [], []
        self.asker = Asker(SPEC, self.say, lambda outcome, now: self.ended.append((outcome, now)))

    def say(self, words, at):
        self.said.append((at, words))
        return at + len(words) * WORD

    def answer(self, body, start):
        self.asker.hear(burst(wire(body), start, False))

    def run_out(self):
        while self.asker.busy:
            self.asker.due(self.asker.deadline)


class Board:
    """An answerer that tells, in the answer's seq, nothing but what it was asked, and counts its work."""

    def __init__(self):
        self.served, self.replied = [], []
        self.answerer = Answerer(SPEC, self.serve, lambda body, at: self.replied.append((body, at)))
        self.now = 0

    def serve(self, body, now):
        self.served.append(body)
        return bytes((body[0] | 0x80, body[1], 0, len(self.served)))

    def ask(self, body):
        self.raw(wire(body))

    def raw(self, words):
        self.answerer.hear(burst(words, self.now, True))
        self.now += 10**6


def test_four_tries_of_the_same_bytes_then_none():
    host = Host()
    host.asker.ask("POLL", 1000)
    host.run_out()
    body = b"\x03\x01"
    each = len(wire(body)) * WORD + WAIT  # the wait counts from the last byte of the request
    assert host.said == [(1000 + i * each, wire(body)) for i in range(4)]
    ((outcome, now),) = host.ended
    assert (outcome.answer, outcome.tries, outcome.body, now) == (None, 4, body, 1000 + 4 * each)


def test_reset_is_a_single_try_and_the_next_one_has_a_new_seq():
    host = Host()
    for _ in range(2):
        host.asker.ask("RESET", 0)
        host.run_out()
    assert [words for _, words in host.said] == [wire(b"\x01\x01"), wire(b"\x01\x02")]
    assert [outcome.tries for outcome, _ in host.ended] == [1, 1]


def test_seq_counts_up_and_wraps():
    host = Host()
    for i in range(300):
        host.asker.ask("OPEN-SALE", i)
        host.answer(bytes((0x84, (i + 1) % 256, 0)), i)
        assert not host.asker.busy
    assert [words for _, words in host.said] == [wire(bytes((4, (i + 1) % 256))) for i in range(300)]


def test_an_answer_with_another_seq_or_operation_is_ignored():
    host = Host()
    host.asker.ask("OPEN-SALE", 0)
    for body in (b"\x84\x00\x00", b"\x84\x02\x00", b"\x85\x01\x00", b"\x04\x01", b"\x84\x01", b"\x84\x01\x09"):
        host.answer(body, MS)
        assert host.asker.busy, body.hex()
    host.answer(b"\x84\x01\x04", MS)
    ((outcome, now),) = host.ended
    assert (outcome.answer.name, outcome.answer.status, outcome.tries) == ("OPEN-SALE", 4, 1)
    assert now == MS + len(wire(b"\x84\x01\x04")) * WORD


def test_a_late_answer_to_an_earlier_try_still_counts_once():
    host = Host()
    host.asker.ask("OPEN-SALE", 0)
    host.asker.due(host.asker.deadline)
    host.answer(b"\x84\x01\x00", 200 * MS)
    host.answer(b"\x84\x01\x00", 210 * MS)
    assert [(o.tries, o.answer.status) for o, _ in host.ended] == [(2, 0)]


def test_a_begun_answer_is_awaited_to_its_end_or_its_gap():
    host = Host()
    host.asker.ask("OPEN-SALE", 0)
    words = wire(b"\x84\x01\x00")
    start = host.asker.deadline - WORD  # flag just in time, the rest after the time is up
    host.asker.hear(burst(words[:3], start, False))
    heard = start + 3 * WORD
    assert host.asker.deadline == heard + 10 * MS + 1
    host.asker.due(heard + 10 * MS)
    assert len(host.said) == 1
    host.asker.due(heard + 10 * MS + 1)  # the gap has dropped it: the next try
    assert len(host.said) == 2


def test_a_spoilt_answer_leads_to_the_next_try():
    host = Host()
    host.asker.ask("OPEN-SALE", 0)
    spoilt = bytearray(wire(b"\x84\x01\x00"))
    spoilt[3] ^= 1
    host.asker.hear(burst(spoilt, MS, False))
    host.asker.due(host.asker.deadline)
    assert len(host.said) == 2


def test_a_repeat_gets_the_last_answer_and_nothing_is_done_twice():
    board = Board()
    vend = b"\x06\x07\x01\x02\x00\x7d"
    board.ask(vend)
    board.ask(vend)
    board.ask(vend)
    assert board.served == [vend]
    assert [body for body, _ in board.replied] == [b"\x86\x07\x00\x01"] * 3


def test_the_same_seq_with_another_body_is_new():
    board = Board()
    for body in (b"\x03\x07", b"\x04\x07", b"\x03\x07"):
        board.ask(body)
    assert board.served == [b"\x03\x07", b"\x04\x07", b"\x03\x07"]


def test_after_a_start_any_seq_is_new():
    board = Board()
    board.ask(b"\x03\x07")
    board.answerer.forget()
    board.ask(b"\x03\x07")
    assert board.served == [b"\x03\x07"] * 2


def test_what_is_broken_or_an_answer_is_dropped_in_silence():
    board = Board()
    spoilt = bytearray(wire(b"\x03\x07"))
    spoilt[2] ^= 4
    board.raw(bytes(spoilt))
    board.ask(b"\x83\x07\x00")  # an answer, on the wrong conductor
    board.raw(wire(b"\x03")[:-1] + b"\x7e")
    assert (board.served, board.replied) == ([], [])
    assert (board.answerer.bad_frames, board.answerer.requests) == (3, 0)
    board.ask(b"\x03\x07")
    assert board.answerer.requests == 1


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([3, 4, 5, 0x0F]), st.integers(0, 2)), max_size=12))
def test_only_a_request_unlike_the_one_before_is_served(asked):
    board = Board()
    bodies = [bytes(pair) for pair in asked]
    for body in bodies:
        board.ask(body)
    assert board.served == [b for i, b in enumerate(bodies) if i == 0 or b != bodies[i - 1]]
    assert [answer[:2] for answer, _ in board.replied] == [bytes((b[0] | 0x80, b[1])) for b in bodies]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=20), max_size=8))
def test_any_noise_moves_neither_side(noise):
    host, board = Host(), Board()
    host.asker.ask("OPEN-SALE", 0)
    for i, words in enumerate(n.replace(b"\x7e", b"") for n in noise if n.replace(b"\x7e", b"")):
        host.asker.hear(burst(words, i * MS, False))
        board.raw(words)
    assert host.asker.busy
    assert (board.served, board.replied) == ([], [])
