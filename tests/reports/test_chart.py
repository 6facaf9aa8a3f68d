"""Histograms: every value counted once, no bar across the limit, a value at its limit legal."""

import re
from xml.etree import ElementTree as Tree

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchsim.reports.chart import histogram, nice


def bars(drawing):
    """(from, to, count, is beyond) of every bar, from its words."""
    found = []
    for box in Tree.fromstring(drawing).iter("rect"):
        if box.get("class") in ("legal", "beyond"):
            told = re.fullmatch(r"(\S+) to (\S+) ms: (\d+)( past the limit)?", box.find("title").text)
            found.append((float(told[1]), float(told[2]), int(told[3]), told[4] is not None))
    return found


def limit_places(drawing):
    return [
        float(line.get("x1"))
        for line in Tree.fromstring(drawing).iter("line")
        if line.get("class") == "limit"
    ]


def test_a_value_at_an_upper_limit_is_legal_and_left_of_it():
    found = bars(histogram([1.0, 2.0, 5.0], [5.0], (None, 5.0), "ms"))
    assert sum(each[2] for each in found) == 3
    assert not any(beyond for *_, beyond in found)
    assert max(end for _, end, _, _ in found) == 5.0


def test_a_value_at_a_lower_limit_is_legal_and_right_of_it():
    found = bars(histogram([100.0, 130.0], [100.0], (100.0, None), "ms"))
    assert not any(beyond for *_, beyond in found)
    assert min(start for start, *_ in found) == 100.0


def test_just_past_is_beyond():
    drawing = histogram([1.0, 2.0, 5.001], [5.0], (None, 5.0), "ms")
    assert [(start, count) for start, _, count, beyond in bars(drawing) if beyond] == [(5.0, 1)]
    assert "1 past the limit" in Tree.fromstring(drawing).get("aria-label")


def test_between_two_limits_bars_end_at_both():
    found = bars(histogram([25.0, 60.0, 200.0, 24.0, 231.0], [25.0, 200.0], (25.0, 200.0), "ms"))
    assert sum(count for _, _, count, beyond in found if beyond) == 2
    for start, end, _, beyond in found:
        assert not start < 24.999 < 25.001 < end
        assert not start < 199.999 < 200.001 < end
        assert beyond == (end <= 25.01 or start >= 199.99)


def test_the_limit_is_drawn_between_legal_and_beyond():
    drawing = histogram([4.0] * 50 + [6.0], [5.0], (None, 5.0), "ms", 0.2)
    place = limit_places(drawing)[0]
    boxes = {box.get("class"): box for box in Tree.fromstring(drawing).iter("rect")}
    assert float(boxes["legal"].get("x")) < place < float(boxes["beyond"].get("x"))
    doubt = float(boxes["doubt"].get("x")), float(boxes["doubt"].get("width"))
    assert doubt[0] < place < sum(doubt)


def test_one_value_far_out_does_not_squeeze_the_rest():
    drawing = histogram([1.0 + n / 100 for n in range(100)] + [30000.0], [5.0], (None, 5.0), "ms")
    found = bars(drawing)
    assert sum(each[2] for each in found) == 101
    assert len([each for each in found if not each[3]]) > 3
    assert "last bar: 1 higher than drawn" in drawing


def test_the_fewest_can_still_be_seen():
    drawing = histogram([2.0] * 100_000 + [9.0], [5.0], (None, 5.0), "ms")
    beyond = next(box for box in Tree.fromstring(drawing).iter("rect") if box.get("class") == "beyond")
    assert float(beyond.get("height")) >= 9


def test_the_worst_is_pointed_at_even_if_it_was_not_kept():
    drawing = histogram([1.0, 2.0, 3.0], [5.0], (None, 5.0), "ms", worst=6.0)
    pointer = next(each for each in Tree.fromstring(drawing).iter("polygon"))
    assert pointer.find("title").text == "worst: 6 ms"
    tip = float(pointer.get("points").split()[-1].split(",")[0])
    assert tip > limit_places(drawing)[0]


def test_nothing_measured_nothing_drawn():
    assert histogram([], [5.0], (None, 5.0), "ms") == ""
    assert histogram([float("nan"), float("inf")], [5.0], (None, 5.0), "ms") == ""


def test_without_a_limit_nothing_is_beyond():
    found = bars(histogram([1.0, 2.0, 3.0], [], (None, None), "ms"))
    assert sum(each[2] for each in found) == 3
    assert not any(each[3] for each in found)


@pytest.mark.parametrize(
    ("wanted", "step"), [(0.3, 0.5), (1.0, 1.0), (7.0, 10.0), (0.02, 0.02), (130.0, 200.0)]
)
def test_steps_are_round(wanted, step):
    assert nice(wanted) == pytest.approx(step)


values = st.floats(min_value=-1e6, max_value=1e6)


@settings(deadline=None)
@given(st.lists(values, min_size=1, max_size=60), st.lists(values, max_size=2, unique=True), st.booleans())
@example([5.0], [5.0], True)
@example([0.0, 1e6], [0.0, 1e-9], True)
def test_every_value_is_counted_once(samples, limits, at_most):
    limits.sort()
    bound = (limits[0], limits[1]) if len(limits) == 2 else (None, None)
    if len(limits) == 1:
        bound = (None, limits[0]) if at_most else (limits[0], None)
    drawing = histogram(samples, limits, bound, "ms", 0.1)
    found = bars(drawing)
    low, high = bound
    beyond = sum(
        (low is not None and value < low) or (high is not None and value > high) for value in samples
    )
    assert sum(count for _, _, count, _ in found) == len(samples)
    assert sum(count for _, _, count, is_beyond in found if is_beyond) == beyond
    assert len(found) < 300
    assert len(limit_places(drawing)) == len(limits)


def test_values_too_small_to_tell_from_nothing_are_drawn():
    """The smallest float there is; found by chance once."""
    assert sum(each[2] for each in bars(histogram([5e-324], [0.0], (0.0, None), "ms"))) == 1
