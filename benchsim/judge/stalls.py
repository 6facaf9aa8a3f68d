"""Stalls of the bench's own computer: a time taken across one is doubted by its length, other times are not.

A bench in real time tells each stall as a happening "late" (`us`: by how much a call came too late). A
stall of so long, told at t, may have moved anything that was noted from t less its length on.
"""

from bisect import bisect_left

from benchsim.events import TICKS_PER_MS, TICKS_PER_US, Burst

_SLACK = 20 * TICKS_PER_MS  # words read just before or after the late call


class Stalls:
    """All stalls of a run, known before it is judged."""

    def __init__(self, events):
        self._told: list[tuple[int, int]] = sorted(
            (e.time, e.data.get("us", 0) * TICKS_PER_US) for e in events if type(e) is not Burst and e.kind == "late"
        )
        self._longest = max((length for _, length in self._told), default=0)

    def __bool__(self) -> bool:
        return bool(self._told)

    def doubt(self, start: int, end: int) -> int:
        """Ticks by which a time from `start` to `end` may be off because of stalls."""
        first = bisect_left(self._told, (start - _SLACK, 0))
        worst = 0
        for told, length in self._told[first:]:
            if told - length > end + _SLACK:
                if told - self._longest > end + _SLACK:
                    break
                continue
            worst = max(worst, length)
        return worst
