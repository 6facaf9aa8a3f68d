"""A histogram of what a rule measured, with its limit drawn in.

A bar never lies across the limit: bars begin and end there, and what is past it is hatched, so that it
reads without colour. The doubt of the measurement is a band around the limit. Values so far out that
they would squeeze the rest into one bar stand together in a last bar of their own, which says so.
"""

import math
from bisect import bisect_left, bisect_right
from typing import NamedTuple
from xml.sax.saxutils import escape

from benchsim.reports import svg
from benchsim.reports.words import count, figure, printable, quantity

WIDTH, HEIGHT = 480, 180
LEFT, RIGHT, TOP, BASE = 8, 8, 36, 134
BARS = 32  # about as many as can be told apart at this width
FINE = (1, 1.5, 2, 3, 4, 5, 6, 8, 10)  # widths of bars: they start at the limit, not at a tick
# How far the axis goes past limits and usual values, as a part of their span, before values are put together.
REACH = 1.0
NOTHING = 1e-9  # ms, percent: far less than a tick; an axis as short as that has no round widths
LEAST = {"legal": 3.0, "beyond": 9.0}  # height of a bar that holds one value among thousands


class Bar(NamedTuple):
    """So many values between two edges, on the legal side of the limit and past it."""

    start: float
    end: float
    legal: int
    beyond: int


def histogram(
    samples: list[float],
    limits: list[float],
    bound: tuple[float | None, float | None],
    unit: str,
    uncertainty: float = 0.0,
    worst: float | None = None,
) -> str:
    """SVG of the finite `samples`, or nothing if there are none. All values are in `unit`.

    `worst` is pointed at: only some of all values may have been kept as samples.
    """
    values = sorted(value for value in samples if math.isfinite(value))
    if not values:
        return ""
    low, high = _reach(values, limits)
    bars = _bars(values, low, high, limits, bound)
    beyond = sum(bar.beyond for bar in bars)
    told = f"{count(len(values), 'value')}, {figure(values[0])} to {quantity(values[-1], unit)}"
    label = f"{told}, {beyond} past the limit"
    scale = _Scale(bars[0].start, bars[-1].end)
    parts = [_doubt(limit, uncertainty, scale) for limit in limits if uncertainty]
    parts += _drawn(bars, scale, unit)
    parts.append(svg.line(LEFT, BASE, WIDTH - RIGHT, BASE, "axis"))
    parts += _ticks(scale, limits)
    parts += [
        mark for limit in limits for mark in _limit(limit, unit, scale, limit == min(limits) < max(limits))
    ]
    if worst is not None:
        parts.append(_pointer(worst, unit, scale))
    parts += _foot(told, sum(value < low for value in values), sum(value > high for value in values))
    return svg.picture(parts, WIDTH, HEIGHT, label, "histogram")


class _Scale:
    """Values to places across the picture."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high
        self.each = (WIDTH - LEFT - RIGHT) / (high - low)

    def __call__(self, value: float) -> float:
        return LEFT + (min(max(value, self.low), self.high) - self.low) * self.each


def _reach(values: list[float], limits: list[float]) -> tuple[float, float]:
    """From where to where the axis goes: all of it, unless a few values are far out."""
    middle = values[len(values) // 20 : len(values) - len(values) // 20]
    inner = [middle[0], middle[-1], *limits]
    # Never narrower than a millionth of the values: below that a float has no room for bars.
    size = max(max(inner) - min(inner), 1e-6 * max(map(abs, inner)))
    if size < NOTHING:
        size = 1.0
    low = max(values[0], min(inner) - REACH * size)
    high = min(values[-1], max(inner) + REACH * size)
    # A little room, so that a limit at the end of all values is not the edge of the picture.
    return min(low, min(inner) - 0.05 * size), max(high, max(inner) + 0.12 * size)


def _bars(
    values: list[float],
    low: float,
    high: float,
    limits: list[float],
    bound: tuple[float | None, float | None],
) -> list[Bar]:
    """Bars over sorted `values`; what lies outside of `low` and `high` is in the first and the last."""
    edges = _edges(low, high, limits)
    cuts = [0, *(_cut(values, edge, bound) for edge in edges[1:-1]), len(values)]
    under = 0 if bound[0] is None else bisect_left(values, bound[0])
    over = len(values) if bound[1] is None else bisect_right(values, bound[1])
    bars = []
    for start, end, first, last in zip(edges, edges[1:], cuts, cuts[1:], strict=False):
        legal = max(0, min(last, over) - max(first, under))
        bars.append(Bar(start, end, legal, last - first - legal))
    return bars


def _edges(low: float, high: float, limits: list[float]) -> list[float]:
    """Edges a round width apart that lie on the limits exactly."""
    width = _width(low, high, limits)
    anchor = max(limits, default=0.0)
    first = math.floor(round((low - anchor) / width, 6))
    last = math.ceil(round((high - anchor) / width, 6))
    edges = [anchor + number * width for number in range(first, last + 1)]
    return [next((limit for limit in limits if abs(edge - limit) < 1e-6 * width), edge) for edge in edges]


def _cut(values: list[float], edge: float, bound: tuple[float | None, float | None]) -> int:
    """How many values lie left of an edge. A value at its limit is legal, so it goes to that side."""
    at_most = bound[1] is not None and edge != bound[0]
    return bisect_right(values, edge) if at_most else bisect_left(values, edge)


def _width(low: float, high: float, limits: list[float]) -> float:
    """A round width; between two limits a whole number of bars."""
    wanted = (high - low) / BARS
    between = max(limits) - min(limits) if limits else 0.0
    if between > wanted:
        return between / round(between / wanted)
    return nice(wanted, FINE)


def nice(wanted: float, steps: tuple[float, ...] = (1, 2, 5, 10)) -> float:
    """The first of `steps`, times a power of ten, at or above `wanted`."""
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(step * power for step in steps if step * power >= wanted * (1 - 1e-9))


def _drawn(bars: list[Bar], scale: _Scale, unit: str) -> list[str]:
    most = max(bar.legal + bar.beyond for bar in bars)
    parts = []
    for bar in bars:
        y, x, width = BASE, scale(bar.start), scale(bar.end) - scale(bar.start)
        told = f"{figure(bar.start)} to {quantity(bar.end, unit)}"
        for held, class_ in ((bar.legal, "legal"), (bar.beyond, "beyond")):
            if held:
                height = max(LEAST[class_], held / most * (BASE - TOP - 6))
                y -= height
                title = f"{told}: {held}{' past the limit' if class_ == 'beyond' else ''}"
                parts.append(svg.rect(x + 0.75, y, width - 1.5, height, class_, title))
    return parts


def _doubt(limit: float, uncertainty: float, scale: _Scale) -> str:
    left, right = scale(limit - uncertainty), scale(limit + uncertainty)
    return svg.rect(
        left, TOP - 6, max(right - left, 1.0), BASE - TOP + 6, "doubt", "doubt of the measurement"
    )


def _limit(limit: float, unit: str, scale: _Scale, is_lower: bool) -> list[str]:
    x = scale(limit)
    anchor = "start" if x < WIDTH / 3 and not is_lower else "end" if x > WIDTH * 2 / 3 else "middle"
    anchor = "start" if is_lower and x < WIDTH / 2 else anchor
    return [
        svg.line(x, TOP - 10, x, BASE + 5, "limit"),
        svg.text(f"limit {quantity(limit, unit)}", x, TOP - 16, "limit-text", anchor),
    ]


def _pointer(worst: float, unit: str, scale: _Scale) -> str:
    x = scale(worst)
    points = f"{x - 5:.2f},{BASE + 9} {x + 5:.2f},{BASE + 9} {x:.2f},{BASE + 1}"
    title = f"<title>{escape(printable(f'worst: {quantity(worst, unit)}'))}</title>"
    return svg.element("polygon", title, points=points, class_="worst-value")


def _ticks(scale: _Scale, limits: list[float]) -> list[str]:
    step = nice((scale.high - scale.low) / 6)
    parts = []
    for number in range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1):
        x = scale(number * step)
        if LEFT + 8 <= x <= WIDTH - RIGHT - 8:
            parts.append(svg.line(x, BASE, x, BASE + 4, "axis"))
            parts.append(svg.text(figure(round(number * step, 9)), x, BASE + 19, "tick", "middle"))
    return parts


def _foot(told: str, under: int, over: int) -> list[str]:
    """What was counted, and how many values were put together in the first and last bar."""
    parts = [svg.text(told, LEFT, HEIGHT - 6, "tick")]
    far = [f"first bar: {under} lower than drawn"] * bool(under) + [
        f"last bar: {over} higher than drawn"
    ] * bool(over)
    return parts + [svg.text("; ".join(far), WIDTH - RIGHT, HEIGHT - 6, "tick", "end")] * bool(far)
