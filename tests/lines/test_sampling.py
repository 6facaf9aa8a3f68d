"""Words sampled at a wrong rate. Expected words by hand: levels drawn, samples taken at 1.5, 2.5, … bits."""

import pytest

from benchsim.events import FRAMING, Burst
from benchsim.lines.sampling import resampled

BIT = 7500


def _burst(words, bit, gaps=()):
    length = len(words) * 10 * bit + sum(gaps)
    return Burst(1000, 1000 + length, "kit", True, "host", tuple(words), tuple(gaps))


@pytest.mark.parametrize(
    ("sent", "heard", "words", "expected"),
    [
        (1, 1, [0x55, 0x00, 0xFF], [0x55, 0x00, 0xFF]),
        # 0x00 held low for 9 long bits: the receiver's stop bit falls into them, and no edge comes after
        (2, 1, [0x00], [0x00 | FRAMING]),
        # 0x55 at half rate: samples 0 1 1 0 0 1 1 0 and a low stop bit
        (2, 1, [0x55], [0x66 | FRAMING]),
        # 0xFF at half rate: start bit 2 units long, so the first data bit is low too
        (2, 1, [0xFF], [0xFE]),
    ],
)
def test_by_hand(sent, heard, words, expected):
    found = resampled(_burst(words, sent * BIT), sent * BIT, heard * BIT, 8)
    assert list(found.words) == expected
    assert found.start == 1000 and found.end <= _burst(words, sent * BIT).end


def test_a_receiver_four_times_too_slow_hears_one_word_of_three():
    # 3 words of 0x00 at rate 4: 30 bits are 7.5 of the receiver's, too few for a word of 9.5
    assert resampled(_burst([0, 0, 0], BIT), BIT, 4 * BIT, 8) is None


@pytest.mark.parametrize("percent", [-4, -2, 2, 4])
def test_a_clock_a_little_off_reads_every_word(percent):
    # up to half a bit in 9.5 is allowed: 5 percent
    words = list(range(256))
    heard = round(BIT * (1 + percent / 100))
    gaps = [0] + [3 * BIT] * 255
    assert list(resampled(_burst(words, BIT, gaps), BIT, heard, 8).words)[:255] == words[:255]
