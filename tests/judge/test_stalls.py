"""Stalls of the bench's computer: what a stall told at t of so many ms may have moved, and that asking costs little."""

from hypothesis import given
from hypothesis import strategies as st

from benchsim.events import TICKS_PER_MS, Happening
from benchsim.judge.stalls import Stalls

MS = TICKS_PER_MS
SLACK = 20 * MS  # words read just before or after the late call


def late(at_ms, length_ms):
    return Happening(at_ms * MS, "bench", "late", {"us": length_ms * 1000})


def test_by_hand():
    stalls = Stalls([late(1000, 50), late(3000, 400)])
    assert stalls.doubt(900 * MS, 970 * MS) == 50 * MS  # it began at 950
    assert stalls.doubt(800 * MS, 929 * MS) == 0  # over 20 ms before
    assert stalls.doubt(1020 * MS, 1100 * MS) == 50 * MS  # just after
    assert stalls.doubt(1021 * MS, 1100 * MS) == 0
    assert stalls.doubt(990 * MS, 2700 * MS) == 400 * MS  # the longest of both
    assert stalls.doubt(2700 * MS, 2800 * MS) == 400 * MS  # inside it
    assert not Stalls([]) and Stalls([]).doubt(0, 10**12) == 0


moments = st.integers(0, 2000)


@given(st.lists(st.tuples(moments, st.integers(1, 900)), max_size=12), moments, moments)
def test_any_stalls(told, one, other):
    """Said once more in the words of the rule: told not before the time begins, begun not after it ends."""
    start, end = min(one, other) * MS, max(one, other) * MS
    expected = max(
        (length * MS for at, length in told if at * MS >= start - SLACK and (at - length) * MS <= end + SLACK), default=0
    )
    assert Stalls(late(at, length) for at, length in told).doubt(start, end) == expected
