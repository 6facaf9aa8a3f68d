"""One exchange for people: its words and times, the limit drawn in, what each block means."""

from typing import NamedTuple

from benchsim.events import TICKS_PER_MS, seconds, ticks
from benchsim.reports.decoded import decoded
from benchsim.reports.exchanges import exchange_at
from benchsim.reports.timeline import as_svg
from benchsim.schema import Book

LIMITS = {"bus": ("BUS-ANSWER", "response"), "kit": ("KIT-ANSWER", "answer")}
NEAR = 40 * TICKS_PER_MS  # of the place, what is told in words


class Said(NamedTuple):
    """One block or frame."""

    time_s: float
    who: str
    text: str


class Explained(NamedTuple):
    """What is told of one exchange. `drawing`: SVG, "" where nothing can be drawn."""

    link: str
    time_s: float
    drawing: str
    said: list[Said]


def explain(strip, book: Book, link: str, time_s: float) -> Explained | None:
    """The exchange of a link at a time; None if nothing was said near it."""
    at = ticks(time_s)
    bursts = [burst for burst in strip.around(at) if burst.link == link]
    lines = [
        Said(round(seconds(start), 6), who, text)
        for start, _, who, text in decoded(bursts, book)
        if at - NEAR <= start <= at + NEAR
    ]
    if not lines:
        return None
    rule, limit = LIMITS.get(link, ("", ""))
    answers = {link: (rule, book.links[link].limits[limit])} if rule else {}
    drawn = exchange_at(bursts, time_s, answers)
    return Explained(link, time_s, as_svg(drawn) if drawn else "", lines)
