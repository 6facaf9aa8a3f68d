"""One exchange, drawn: who said what when, and the time that the rule allowed.

As text for the terminal and as SVG for the page. Both show the same: one lane for each talker in order
of first word, the words to scale, the limit as a span of its own between them.
"""

from collections.abc import Callable

from benchsim.reports import svg
from benchsim.reports.record import Exchange
from benchsim.reports.words import figure, printable

WIDTH, LANE, NAMES = 480, 34, 88
STYLE = (
    "text{font:13px sans-serif;fill:#15212a}.axis{stroke:#52616c}.tick{font-size:12px;fill:#52616c}"
    ".word{fill:#cddbe4;stroke:#52616c}.word-text{font:12px monospace}.allowed{fill:#e7ecef}"
    ".limit{stroke:#a83200;stroke-width:2}.limit-text{fill:#a83200;font-weight:600}"
)
PLACES = 3  # of a millisecond: a word of the payment bus is 1.146 ms


def lanes(exchange: Exchange) -> list[str]:
    """Talkers, in order of their first word."""
    ordered = sorted(exchange.stretches, key=lambda stretch: stretch.start_s)
    return list(dict.fromkeys(stretch.lane for stretch in ordered))


def missed_by(exchange: Exchange) -> float | None:
    """Seconds by which the first word since the limit began to count missed it; None if it did not.

    A time to be kept within is missed by a word that begins after it, a time to be waited out by a word
    that begins before its end. At the limit is legal.
    """
    limit = exchange.limit
    after = [each.start_s for each in exchange.stretches if limit and each.start_s >= limit.start_s]
    if not after:
        return None
    past = min(after) - limit.end_s
    missed = -past if limit.wait else past
    return missed if missed > 0 else None


def as_text(exchange: Exchange, width: int = 80) -> str:
    """Lanes to scale, then every word with its time since the first. ASCII, at most `width` columns."""
    if not exchange.stretches:
        return "nothing was said"
    begin, end = _window(exchange)
    names = [*lanes(exchange), *(["limit"] if exchange.limit else [])]
    margin = max(len(printable(name)) for name in names) + 2
    room = max(10, width - margin - 1)

    def place(time: float) -> int:
        return min(room - 1, int((time - begin) / (end - begin) * room))

    lines = [printable(exchange.title)] if exchange.title else []
    for name in lanes(exchange):
        lines.append(f"{printable(name):<{margin}}{_strip(exchange, name, place, room)}")
    if exchange.limit:
        first, last = place(exchange.limit.start_s), place(exchange.limit.end_s)
        lines.append(f"{'limit':<{margin}}{' ' * first}{'=' * max(1, last - first)}|".rstrip())
    return "\n".join([*lines, "", *word_list(exchange)])


def _strip(exchange: Exchange, lane: str, place: Callable[[float], int], room: int) -> str:
    cells = ["."] * room
    for each in exchange.stretches:
        if each.lane == lane:
            for cell in range(place(each.start_s), max(place(each.start_s) + 1, place(each.end_s))):
                cells[cell] = "#"
    return "".join(cells)


def word_list(exchange: Exchange) -> list[str]:
    """A line for each word and for the limit's end, by time. At one instant the word is first: legal."""
    begin, _ = _window(exchange)
    told = [
        (each.start_s, 0, f"{printable(each.lane)}: {printable(each.label)}") for each in exchange.stretches
    ]
    if exchange.limit:
        told.append((exchange.limit.end_s, 1, f"-- {printable(exchange.limit.label)}: until here --"))
    return [f"{(time - begin) * 1e3:>12.{PLACES}f} ms  {words}" for time, _, words in sorted(told)]


def as_svg(exchange: Exchange) -> str:
    """The same to scale, coloured by the page's classes."""
    if not exchange.stretches:
        return ""
    begin, end = _window(exchange)
    names = lanes(exchange)
    height = 30 + LANE * (len(names) + bool(exchange.limit)) + 22
    each_s = (WIDTH - NAMES - 8) / (end - begin)

    def place(time: float) -> float:
        return NAMES + (time - begin) * each_s

    parts: list[str] = []
    if exchange.limit:
        parts += _span(exchange, place, height)
    for number, name in enumerate(names):
        y = 26 + number * LANE
        parts.append(svg.text(name, 0, y + 17, "lane"))
        parts.append(svg.line(NAMES, y + 24, WIDTH - 8, y + 24, "axis"))
        for stretch in exchange.stretches:
            if stretch.lane == name:
                parts += _word(stretch, place(stretch.start_s), place(stretch.end_s), y, begin)
    parts.append(svg.text("0 ms", NAMES, height - 4, "tick"))
    parts.append(
        svg.text(f"{figure(round((end - begin) * 1e3, PLACES))} ms", WIDTH - 8, height - 4, "tick", "end")
    )
    label = f"{exchange.title or 'exchange'}: " + "; ".join(line.strip() for line in word_list(exchange))
    return svg.picture(parts, WIDTH, height, label, "timeline")


def as_file(exchange: Exchange) -> str:
    """The same as a file of its own, which brings the colours that a page has in its style sheet."""
    drawn = as_svg(exchange)
    head, tag, rest = drawn.partition(">")
    if "xmlns=" not in head:
        head = head.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
    return f"{head}{tag}<style>{STYLE}</style>{rest}\n"


def _word(stretch, left: float, right: float, y: float, begin: float) -> list[str]:
    width = max(2.0, right - left - 1)
    title = f"{(stretch.start_s - begin) * 1e3:.{PLACES}f} ms {stretch.lane}: {stretch.label}"
    parts = [svg.rect(left, y, width, 24, "word", title)]
    if width > 7.5 * len(stretch.label) + 4:
        parts.append(svg.text(stretch.label, left + width / 2, y + 16, "word-text", "middle"))
    return parts


def _span(exchange: Exchange, place: Callable[[float], float], height: float) -> list[str]:
    limit = exchange.limit
    left, right, y = place(limit.start_s), place(limit.end_s), height - 40
    missed = missed_by(exchange)
    how = "too early" if limit.wait else "too late"
    told = f"{limit.label}, {figure(round(missed * 1e3, PLACES))} ms {how}" if missed else limit.label
    middle = (left + right) / 2
    anchor, at = ("start", left) if middle < WIDTH / 2 else ("end", right)
    return [
        svg.rect(left, 18, max(right - left, 1.0), y - 14, "allowed"),
        svg.line(right, 14, right, y + 6, "limit"),
        svg.text(told, at, y + 18, "limit-text", anchor),
    ]


def _window(exchange: Exchange) -> tuple[float, float]:
    starts = [each.start_s for each in exchange.stretches]
    ends = [each.end_s for each in exchange.stretches]
    if exchange.limit:
        starts.append(exchange.limit.start_s)
        ends.append(exchange.limit.end_s)
    begin, end = min(starts), max(ends)
    return begin, end if end > begin else begin + 1e-3
