"""Two bytes a word. Bytes by hand from the layout `100m hhhh`, `0000 llll`, C0, C1 (kit link reference)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.events import FRAMING
from benchsim.ports.pairs import HELD, RELEASED, PairDecoder, encode

BY_HAND = [
    (0x000, "80 00"),
    (0x00F, "80 0F"),
    (0x0F0, "8F 00"),
    (0x0FF, "8F 0F"),
    (0x100, "90 00"),
    (0x10B, "90 0B"),  # 1 0000 1011
    (0x159, "95 09"),  # 1 0101 1001
    (0x1FF, "9F 0F"),
    (HELD, "C0"),
    (RELEASED, "C1"),
]
ALL_WORDS = [*range(0x200), HELD, RELEASED]


@pytest.mark.parametrize(("word", "wire"), BY_HAND)
def test_bytes_by_hand(word, wire):
    assert encode((word,)) == bytes.fromhex(wire)
    assert PairDecoder().feed(bytes.fromhex(wire)) == [word]


def test_a_block_of_the_bus():
    """POLL of the changer, 10B 00B in the notation of MDB/ICP 4.3 §2: checksum 0B, mode bit on the address."""
    assert encode((0x10B, 0x00B)) == bytes.fromhex("90 0B 80 0B")


def test_every_word_has_bytes_of_its_own():
    assert len({encode((word,)) for word in ALL_WORDS}) == len(ALL_WORDS)


@given(st.lists(st.sampled_from(ALL_WORDS)), st.data())
def test_words_survive_any_cut_of_the_stream(words, data):
    wire, decoder, got = encode(words), PairDecoder(), []
    while wire:
        cut = data.draw(st.integers(1, len(wire)))
        got += decoder.feed(wire[:cut])
        wire = wire[cut:]
    assert (got, decoder.dropped) == (words, 0)


@given(st.lists(st.integers(0, 0x1FF), min_size=2), st.data())
def test_a_lost_byte_costs_its_word_alone(words, data):
    wire = encode(words)
    lost = data.draw(st.integers(0, len(wire) - 1))
    decoder = PairDecoder()
    got = decoder.feed(wire[:lost] + wire[lost + 1 :])
    assert got == words[: lost // 2] + words[lost // 2 + 1 :]
    last_half_pending = lost == len(wire) - 1  # a first byte still waits for its second
    assert decoder.dropped == (0 if last_half_pending else 1)


@pytest.mark.parametrize("byte", [b for b in range(256) if not (0x80 <= b < 0xA0 or b < 0x10 or b in (0xC0, 0xC1))])
def test_a_byte_that_means_nothing_is_counted_and_spoils_the_word_it_falls_into(byte):
    decoder = PairDecoder()
    assert decoder.feed(bytes((0x90, byte, 0x0B, 0x95, 0x09))) == [0x159]
    assert decoder.dropped == 3  # the first byte, the odd one, the second byte without its first


@given(st.binary())
def test_each_byte_is_in_a_word_or_counted_or_waits(data):
    decoder = PairDecoder()
    words = decoder.feed(data)
    used = sum(1 if word >= HELD else 2 for word in words)
    waits = bool(data) and 0x80 <= data[-1] < 0xA0
    assert used + decoder.dropped + waits == len(data)


def test_a_spoilt_word_is_dropped_by_who_reads_it():
    decoder = PairDecoder()
    assert decoder.feed(encode((0x052, 0x007 | FRAMING, 0x159))) == [0x052, 0x159]
    assert decoder.dropped == 1
