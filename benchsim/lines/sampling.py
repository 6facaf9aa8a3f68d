"""What a receiver of another bit rate makes of words: their levels, sampled in the middle of its own bits.

Asynchronous characters: a start bit (0), data bits from the lowest, a stop bit (1), idle 1; the receiver finds
the falling edge of a start bit and samples from there (the usual start-stop principle, ITU-T V.4 and X.20).
"""

from benchsim.events import FRAMING, Burst


def resampled(burst: Burst, sent: int, heard: int, data_bits: int) -> Burst | None:
    """The burst as heard. `sent`, `heard`: ticks of a bit. Words that would end after the burst are not heard."""
    levels = [level for word in burst.words for level in _levels(word, data_bits)]
    frame = data_bits + 2
    starts = [start + i * sent for start in burst.word_starts() for i in range(frame)]
    last = starts[-1] + sent

    def at(tick: int) -> int:
        """The level at a time: that of the last bit begun, or idle in a gap."""
        low, high = 0, len(starts)
        while low < high:
            middle = (low + high) // 2
            low, high = (middle + 1, high) if starts[middle] <= tick else (low, middle)
        return levels[low - 1] if low and tick < starts[low - 1] + sent else 1

    words, begins, clear = [], [], burst.start
    for start, level in zip(starts, levels, strict=True):
        if level or start < clear or at(start - 1) == 0:
            continue
        stop = start + round((data_bits + 1.5) * heard)
        if stop > last:
            break
        value = sum(at(start + round((i + 1.5) * heard)) << i for i in range(data_bits))
        words.append(value | (0 if at(stop) else FRAMING))
        begins.append(start)
        clear = stop
    if not words:
        return None
    length = min(frame * heard, *(b - a for a, b in zip(begins, begins[1:], strict=False)), last - begins[-1])
    gaps = (0, *(b - a - length for a, b in zip(begins, begins[1:], strict=False)))
    return burst._replace(start=begins[0], end=begins[-1] + length, words=tuple(words), gaps=gaps if any(gaps) else ())


def _levels(word: int, data_bits: int) -> list[int]:
    """Start bit, data, stop bit. A word that was spoilt has no stop bit."""
    return [0, *(word >> i & 1 for i in range(data_bits)), 0 if word & FRAMING else 1]
