"""The matrix exponential beside scipy's, and beside series that are known in closed form."""

import math

import numpy
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.machine.exponential import exponential

VALUES = st.floats(-8, 8, allow_subnormal=False)
SQUARES = st.integers(1, 5).flatmap(lambda n: st.lists(st.lists(VALUES, min_size=n, max_size=n), min_size=n, max_size=n))


@settings(deadline=None)
@given(SQUARES)
def test_like_another_library(rows):
    ours, theirs = numpy.array(exponential(tuple(map(tuple, rows)))), scipy.linalg.expm(numpy.array(rows))
    assert numpy.abs(ours - theirs).max() <= 1e-11 * max(1.0, numpy.abs(theirs).max())


@pytest.mark.parametrize("turn", [0.0, 0.1, 1.0, 30.0])
def test_a_rotation(turn):
    """exp([[0, -a], [a, 0]]) = [[cos a, -sin a], [sin a, cos a]]."""
    wanted = ((math.cos(turn), -math.sin(turn)), (math.sin(turn), math.cos(turn)))
    assert numpy.allclose(exponential(((0.0, -turn), (turn, 0.0))), wanted, rtol=0, atol=1e-12)
