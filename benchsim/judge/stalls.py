"""Stalls of the bench's own computer: a time taken across one is doubted by its length, other times are not.

A bench in real time tells each stall as a happening "late" (`us`: by how much a call came too late). A
stall of so long, told at t, may have moved anything that was noted from t less its length on.
"""

from bisect import bisect_left, bisect_right
from itertools import accumulate

from benchsim.events import TICKS_PER_MS, TICKS_PER_US, Burst

_SLACK = 20 * TICKS_PER_MS  # words read just before or after the late call


class Stalls:
    """All stalls of a run, known before it is judged."""

    def __init__(self, events):
        told = sorted(
            (e.time, e.data.get("us", 0) * TICKS_PER_US) for e in events if type(e) is not Burst and e.kind == "late"
        )
        self._told = [at for at, _ in told]
        self._lengths = [length for _, length in told]
        # The earliest beginning of this one and all later ones: whether it is worth to look on.
        self._begins = list(accumulate((at - length for at, length in reversed(told)), min))[::-1]

    def __bool__(self) -> bool:
        return bool(self._told)

    def doubt(self, start: int, end: int) -> int:
        """Ticks by which a time from `start` to `end` may be off because of stalls."""
        end += _SLACK
        first, later = bisect_left(self._told, start - _SLACK), bisect_right(self._told, end)
        worst = max(self._lengths[first:later], default=0)
        for i in range(max(first, later), len(self._told)):
            if self._begins[i] > end:
                break
            if self._told[i] - self._lengths[i] <= end:
                worst = max(worst, self._lengths[i])
        return worst
