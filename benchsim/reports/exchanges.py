"""What was said around a place of evidence, taken from a case's events for a drawing.

A turn is what one side said at one go: a block, a frame, however many bursts a port made of it. Drawn
are the turn in which the place lies and its neighbours, as long as they follow closely on each other:
the question, the answer and what came of it.
"""

from bisect import bisect_right
from collections.abc import Iterable
from typing import NamedTuple

from benchsim.events import MODE, TICKS_PER_MS, TICKS_PER_SECOND, Burst, seconds
from benchsim.reports.record import Exchange, Key, Limit, Stretch
from benchsim.reports.words import figure, quantity

LINKS = {"BUS": "bus", "CHG": "bus", "BIL": "bus", "CSH": "bus", "KIT": "kit", "PNL": "panel", "AUD": "audit"}

# Rules whose time runs from the end of the turn before to the first word at the place, and whether that
# turn is the other side's (it is asked and answers) or its own (it waits, then goes on).
OTHERS, OWN = True, False
FROM_END_BEFORE = {
    "BUS-ANSWER": OTHERS,
    "BUS-ACK": OTHERS,
    "BUS-SETTLE": OWN,
    "KIT-ANSWER": OTHERS,
    "KIT-WAIT": OWN,
}

UNITS = {"ms": 1e-3, "s": 1.0}  # of a limit, in seconds
BEFORE, AFTER = 2, 1  # turns drawn around the one in question
WORDS = 8  # words of a turn on the bus that stand each for itself, and that are named of a longer one
CLOSE = 30 * TICKS_PER_MS  # neighbours that are further apart would squeeze the drawing
REACH = 2 * TICKS_PER_SECOND  # no time that is drawn here began longer ago
PAUSE = 20 * TICKS_PER_MS  # one side is silent for longer: a new turn (a port's lumps are up to 16 ms apart)


class Turn(NamedTuple):
    """Bursts of one side, one after another on one link."""

    out: bool
    bursts: list[Burst]

    @property
    def start(self) -> int:
        return self.bursts[0].start

    @property
    def end(self) -> int:
        return self.bursts[-1].end


def exchanges(case: str | None, events: Iterable, verdicts: Iterable[dict]) -> dict[Key, Exchange]:
    """A drawing of the first place of every verdict that needs a look.

    `events` are those of the case in order of start; `verdicts` as the JSON document has them.
    """
    wanted = [
        verdict for verdict in verdicts if verdict["outcome"] in ("fail", "unsure", "warn") and verdict["at"]
    ]
    links = {LINKS.get(verdict["rule"].split("-")[0]) for verdict in wanted} - {None}
    bursts = [event for event in events if isinstance(event, Burst) and event.link in links] if links else []
    said = {link: _turns([burst for burst in bursts if burst.link == link]) for link in sorted(links)}
    found = {}
    for verdict in wanted:
        drawn = _around(said.get(LINKS.get(verdict["rule"].split("-")[0]), []), verdict)
        if drawn:
            found[case, verdict["rule"], verdict["judged"]] = drawn
    return found


def _turns(bursts: list[Burst]) -> list[Turn]:
    turns: list[Turn] = []
    for burst in bursts:
        if turns and not _begins(burst, turns[-1].bursts[-1]):
            turns[-1].bursts.append(burst)
        else:
            turns.append(Turn(burst.out, [burst]))
    return turns


def _begins(burst: Burst, before: Burst) -> bool:
    """Whether a burst begins a turn of its own: on the bus every address word of the master does."""
    address = burst.link == "bus" and burst.out and bool(burst.words[0] & MODE)
    apart = burst.out != before.out or burst.start - before.end > PAUSE
    return address or apart or burst.is_break or before.is_break


def _around(turns: list[Turn], verdict: dict) -> Exchange | None:
    place = verdict["at"][0]
    at = round(place["time_s"] * TICKS_PER_SECOND)
    # A time that went through a rounded number of seconds may be a tick early.
    index = bisect_right(turns, at + 1, key=lambda turn: turn.start) - 1
    if index < 0 or place["frame"] is None or turns[index].end < at:
        return None
    limit = _limit(turns, index, verdict)
    # Where the limit runs from the turn before, that one is drawn however long ago it was.
    first = index - 1 if limit else index
    while 0 < first and first > index - BEFORE and turns[first].start - turns[first - 1].end <= CLOSE:
        first -= 1
    last = index
    while last + 1 < len(turns) and last < index + AFTER and turns[last + 1].start - turns[last].end <= CLOSE:
        last += 1
    stretches = [stretch for turn in turns[first : last + 1] for stretch in _stretches(turn)]
    return Exchange(stretches, limit)


def _limit(turns: list[Turn], index: int, verdict: dict) -> Limit | None:
    rule, turn, before = verdict["rule"], turns[index], turns[index - 1]
    if rule not in FROM_END_BEFORE or index == 0 or verdict["unit"] not in UNITS:
        return None
    waited = turn.start - before.end
    if waited > REACH or (turn.out != before.out) != FROM_END_BEFORE[rule]:
        return None
    low, high = verdict["limit"]
    size = UNITS[verdict["unit"]]
    early = high is None or (low is not None and seconds(waited) < low * size)
    value, word = (low, "not before") if early else (high, "within")
    end = seconds(before.end)
    return Limit(end, end + value * size, f"{word} {quantity(value, verdict['unit'])}", early)


def _stretches(turn: Turn) -> list[Stretch]:
    first = turn.bursts[0]
    lane = first.sender or ("asking side" if turn.out else "answering side")
    if first.is_break:
        told = f"break {figure(round(seconds(first.end - first.start) * 1e3, 3))} ms"
        return [Stretch(lane, seconds(first.start), seconds(first.end), told)]
    digits = 3 if first.link == "bus" else 2
    words = [
        (start, start + burst.word_ticks(), f"{word & (0x1FF if digits == 3 else 0xFF):0{digits}X}")
        for burst in turn.bursts
        for start, word in zip(burst.word_starts(), burst.words, strict=True)
    ]
    if first.link == "bus" and len(words) <= WORDS:
        return [Stretch(lane, seconds(start), seconds(end), label) for start, end, label in words]
    rest = f" ... {len(words)} words" if len(words) > WORDS else ""
    label = " ".join(label for *_, label in words[:WORDS]) + rest
    return [Stretch(lane, seconds(turn.start), seconds(turn.end), label)]
