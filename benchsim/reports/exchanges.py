"""What was said around a place of evidence, taken from a case's events for a drawing.

A turn is what one side said at one go: a block, a frame, however many bursts a port made of it. Drawn
are the turn in which the place lies and its neighbours, as long as they follow closely on each other:
the question, the answer and what came of it.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from benchsim.events import MODE, TICKS_PER_MS, TICKS_PER_SECOND, Burst, seconds
from benchsim.reports.record import Exchange, Key, Limit, Stretch
from benchsim.reports.words import figure, quantity
from benchsim.schema.limits import Limit as SchemaLimit

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
AROUND = REACH + TICKS_PER_SECOND  # on either side of a place; longer turns than the second are cut
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

    `events` are those of the case in order of start, read once and kept only where something is drawn;
    `verdicts` as the JSON document has them.
    """
    wanted = near(verdicts)
    said = {link: _turns(bursts) for link, bursts in _kept(events, wanted).items()}
    found = {}
    for verdict in wanted:
        drawn = _around(said.get(LINKS.get(verdict["rule"].split("-")[0]), []), verdict)
        if drawn:
            found[case, verdict["rule"], verdict["judged"]] = drawn
    return found


def exchange_at(events: Iterable, time_s: float, answers: Mapping[str, tuple[str, SchemaLimit]]) -> Exchange | None:
    """The exchange under way at a time (bench seconds), else the next within the second after; None: none.

    `answers`: by link, the rule and the limit of its answers, which is drawn where there is one.
    """
    at = round(time_s * TICKS_PER_SECOND)
    near_by = [e for e in events if type(e) is Burst and at - AROUND <= e.start <= at + AROUND]
    found = []
    for link in dict.fromkeys(burst.link for burst in near_by):
        turns = _turns([burst for burst in near_by if burst.link == link])
        index = next((i for i, turn in enumerate(turns) if turn.end > at), None)
        if index is not None and turns[index].start <= at + TICKS_PER_SECOND:
            found.append((max(turns[index].start, at), link, turns, index))
    if not found:
        return None
    _, link, turns, index = min(found, key=lambda one: one[:2])
    follows = index + 1 < len(turns) and turns[index + 1].out != turns[index].out
    if turns[index].out and follows and turns[index + 1].start - turns[index].end <= CLOSE:
        index += 1  # asked: drawn with its answer
    rule, limit = answers.get(link, ("", None))
    told = {"rule": rule, "unit": limit and limit.unit, "at": [{"time_s": seconds(turns[index].start), "frame": 0}]}
    told["limit"] = limit and [None if side is None else limit.shown(side) for side in (limit.low, limit.high)]
    return _around(turns, told)


def near(verdicts: Iterable[dict]) -> list[dict]:
    """The verdicts that need a look and have a place to look at."""
    return [verdict for verdict in verdicts if verdict["outcome"] in ("fail", "unsure", "warn") and verdict["at"]]


def _kept(events: Iterable, wanted: list[dict]) -> dict[str, list[Burst]]:
    """By link, the bursts that may be drawn: around each place in question."""
    places = sorted(
        (round(verdict["at"][0]["time_s"] * TICKS_PER_SECOND), link)
        for verdict in wanted
        if (link := LINKS.get(verdict["rule"].split("-")[0]))
    )
    found: dict[str, list[Burst]] = {}
    for link in sorted({link for _, link in places}):
        found[link] = []
    ends = {link: [at + AROUND for at, of in places if of == link] for link in found}
    for event in events if places else ():
        if type(event) is Burst and event.link in ends:
            left = ends[event.link]
            while left and left[0] < event.start:
                left.pop(0)
                if not any(ends.values()):
                    return found
            if left and event.start >= left[0] - 2 * AROUND:
                found[event.link].append(event)
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
