"""The ninth bit as parity. What the system hands over: POSIX termios, PARMRK (`FF 00 x`, doubled `FF`)."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.ports.parity import HELD, MarkedDecoder, Step, schedule

WORD, SETTLE = 82_500, 7_200  # ticks: 11 bits at 9600 baud; 0.1 ms
MOST_GAP = 72_000  # 1.0 ms between two words of a block (MDB/ICP 4.3 §3)
ALL = range(0x200)


def marked(words, mark=False):
    """What POSIX says the system hands over for words of nine bits, received with parity at space (or mark)."""
    handed = b""
    for word in words:
        byte, wrong = word & 0xFF, bool(word & 0x100) is not mark
        handed += bytes((0xFF, 0x00, byte)) if wrong else b"\xff\xff" if byte == 0xFF else bytes((byte,))
    return handed


@pytest.mark.parametrize(
    ("handed", "words"),
    [
        ("00", [0x000]),
        ("FE", [0x0FE]),
        ("FF FF", [0x0FF]),
        ("FF 00 0B", [0x10B]),
        ("FF 00 FF", [0x1FF]),
        ("FF 00 00", [0x100]),
        ("FF 00 0B 0B", [0x10B, 0x00B]),  # POLL of the changer
        ("05 02 FF 00 07", [0x005, 0x002, 0x107]),  # an answer: the mode bit on its last word
        ("FF FF 00", [0x0FF, 0x000]),  # no mark, though FF 00 stands there
        ("FF FF FF 00 FF FF FF", [0x0FF, 0x1FF, 0x0FF]),
    ],
)
def test_by_hand(handed, words):
    decoder = MarkedDecoder(breaks=False)
    assert (decoder.feed(bytes.fromhex(handed)), decoder.dropped) == (words, 0)


@pytest.mark.parametrize("mark", [False, True])
def test_every_pair_of_words(mark):
    for pair in product(ALL, ALL):
        decoder = MarkedDecoder(breaks=False)
        assert decoder.feed(marked(pair, mark), mark) == [*pair]


@pytest.mark.parametrize("mark", [False, True])
def test_every_cut_of_every_word_before_a_full_byte(mark):
    for word in ALL:
        handed = marked((word, 0x0FF, word), mark)
        for cut in range(len(handed) + 1):
            decoder = MarkedDecoder(breaks=False)
            assert decoder.feed(handed[:cut], mark) + decoder.feed(handed[cut:], mark) == [word, 0x0FF, word]


@given(st.lists(st.sampled_from([0x000, 0x0FF, 0x100, 0x1FF, 0x055, 0x155])), st.data())
def test_any_words_in_any_pieces(words, data):
    handed, decoder, got = marked(words), MarkedDecoder(breaks=False), []
    while handed:
        cut = data.draw(st.integers(1, len(handed)))
        got += decoder.feed(handed[:cut])
        handed = handed[cut:]
    assert (got, decoder.dropped) == (words, 0)


@pytest.mark.parametrize("after", [b for b in range(256) if b not in (0x00, 0xFF)])
def test_a_mark_that_is_none_is_counted(after):
    decoder = MarkedDecoder(breaks=False)
    assert (decoder.feed(bytes((0xFF, after, 0x0B))), decoder.dropped) == ([0x00B], 2)


def test_a_break_on_the_conductor_of_the_master():
    assert MarkedDecoder(breaks=True).feed(bytes.fromhex("FF 00 00 FF 00 0B 00")) == [HELD, 0x10B, 0x000]


# ---- sending


def on_the_conductor(steps):
    """A serial adapter: every byte gets the parity of the moment it is sent. Words, and the idle time before each."""
    mark, free, words, gaps = False, 0, [], []
    for step in steps:
        if step.mark is not mark:
            assert step.at >= free + (SETTLE if words else 0), "parity changed while a word was being sent"
            mark = step.mark
        for byte in step.data:
            start = max(step.at, free)
            gaps.append(start - free)
            free = start + WORD
            words.append(byte | (0x100 if mark else 0))
    assert not mark, "parity was left at mark"
    return words, gaps


def test_by_hand_a_command_changes_once_each_way():
    assert schedule((0x10B, 0x00B), WORD, SETTLE) == [
        Step(0, True, b"\x0b"),
        Step(89_700, False, b"\x0b"),
    ]


def test_by_hand_an_answer_changes_before_its_last_word_and_back_after_it():
    assert schedule((0x005, 0x002, 0x107), WORD, SETTLE) == [
        Step(0, False, b"\x05\x02"),
        Step(172_200, True, b"\x07"),
        Step(261_900, False, b""),
    ]


def test_every_pair_of_words_is_sent_as_it_is():
    for pair in product(ALL, ALL):
        words, gaps = on_the_conductor(schedule(pair, WORD, SETTLE))
        assert words == [*pair] and max(gaps) <= MOST_GAP


@given(st.lists(st.integers(0, 0x1FF), max_size=36))
def test_any_block(words):
    sent, gaps = on_the_conductor(schedule(words, WORD, SETTLE))
    assert sent == words
    assert max(gaps, default=0) <= MOST_GAP
    changes = sum(one & 0x100 != two & 0x100 for one, two in zip([0, *words], [*words, 0], strict=True))
    mark_first = bool(words and words[0] & 0x100)
    assert len(schedule(words, WORD, SETTLE)) == (changes + (not mark_first) if words else 0)
