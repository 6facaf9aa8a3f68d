"""Counting: every check and every measured value of one rule, by seat.

A place is given as anything with `number` (of the frame, or None), `start` (ticks) and `text()`: it is
turned into words only where it is kept as evidence.
"""

from collections.abc import Callable

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.verdict import Place, Verdict
from benchsim.schema.limits import Limit

PLACES = 10  # evidence kept of one outcome
SAMPLES = 5000  # measured values kept of one rule and seat


class Moment:
    """A place off the links: a time and a sentence."""

    __slots__ = ("number", "said", "start")

    def __init__(self, start: int, said: str):
        self.number, self.start, self.said = None, start, said

    def text(self) -> str:
        """The sentence."""
        return self.said


class Ledger:
    """What all rules of a link have in common: their counts, and how often anything was not well."""

    def __init__(self):
        self.counts: list[Count] = []
        self.spoilt = 0


class Count:
    """What one rule found about one seat. `doubt` is the uncertainty of a measured value, ticks."""

    __slots__ = (
        "aside", "broken", "checked", "doubt", "doubtful", "excused", "high", "ledger", "limit", "low", "margin", "places", "samples",
        "seat", "stalled", "warned", "worst", "worst_at",
    )  # fmt: skip

    def __init__(self, seat: str, limit: Limit | None, doubt: int, stalled=None, ledger: Ledger | None = None, excused=None):
        self.ledger = ledger or Ledger()
        self.excused = excused  # may what is found at a frame be a stall's doing? None: never
        self.ledger.counts.append(self)
        self.stalled = stalled  # extra doubt of a time that ends now, or None
        self.seat, self.limit = seat, limit
        self.doubt = doubt if limit is not None and _in_time(limit) else 0  # counts are exact
        self.low = None if limit is None else limit.low
        self.high = None if limit is None else limit.high
        self.checked = self.broken = self.doubtful = self.warned = self.aside = 0
        self.worst = self.margin = self.worst_at = None
        self.places: dict[str, list[Place]] = {}
        self.samples: list[int | float] = []

    def check(self, ok: bool, frame=None, text: str = "", warn: bool = False) -> None:
        """It was put to the test. `warn`: broken here is only a warning."""
        if not ok and self.excused and self.excused(frame):
            self.set_aside(frame, text)
            return
        self.checked += 1
        if not ok:
            self._found("warn" if warn else "fail", frame, text)

    def measure(self, value, frame=None, text: str = "", doubt: int | None = None) -> None:
        """A value against the limit, in the limit's ticks or counts. `doubt` replaces the link's."""
        if self.high is None:  # as `_margin`, at once
            margin = value - self.low
        elif self.low is None:
            margin = self.high - value
        else:
            margin = min(value - self.low, self.high - value)
        if doubt is None:
            doubt = self.doubt
            extra = self.stalled(value) if self.stalled is not None and doubt else 0
            if extra and -doubt - extra <= margin < doubt + extra:
                self.set_aside(frame, text)
                return
        self.checked += 1
        if self.margin is None or margin < self.margin:
            self.margin, self.worst, self.worst_at = margin, value, (frame, text)
        if len(self.samples) < SAMPLES:
            self.samples.append(value)
        if margin < 0:
            self._found("fail" if -margin > doubt else "unsure", frame, text)
        elif margin < doubt:
            self._found("unsure", frame, text)

    def _margin(self, value):
        """How far inside the limit."""
        if self.high is None:
            return value - self.low
        if self.low is None:
            return self.high - value
        return min(value - self.low, self.high - value)

    def measure_all(self, values: list, place: Callable) -> None:
        """`measure` of each, where no stall can have moved one. `place(at)`: frame and text of one of them."""
        if not values:
            return
        least = min(self._margin(min(values)), self._margin(max(values)))
        if least < self.doubt:
            for at, value in enumerate(values):
                self.measure(value, *place(at))
            return
        self.checked += len(values)
        if self.margin is None or least < self.margin:
            at = next(at for at, value in enumerate(values) if self._margin(value) == least)
            self.margin, self.worst, self.worst_at = least, values[at], place(at)
        self.samples += values[: SAMPLES - len(self.samples)]

    @property
    def counted(self) -> tuple[int, ...]:
        """How often it was put to the test, and how often it was not well."""
        return self.checked, self.broken, self.doubtful, self.warned, self.aside

    def add(self, counted: tuple[int, ...]) -> None:
        """So much was counted in quiet time that was leapt over."""
        for name, more in zip(("checked", "broken", "doubtful", "warned", "aside"), counted, strict=True):
            setattr(self, name, getattr(self, name) + more)

    def set_aside(self, frame, text: str) -> None:
        """A stall of the bench's computer fell into this one, or the doubt is too large for it: it says nothing, unless there
        is no other."""
        self.aside += 1
        self.ledger.spoilt += 1
        kept = self.places.setdefault("unsure", [])
        if len(kept) < PLACES:
            kept.append(_place(frame, text))

    def _found(self, outcome: str, frame, text: str) -> None:
        self.ledger.spoilt += 1
        if outcome == "fail":
            self.broken += 1
        elif outcome == "warn":
            self.warned += 1
        else:
            self.doubtful += 1
        kept = self.places.setdefault(outcome, [])
        if len(kept) < PLACES:
            kept.append(_place(frame, text))

    def outcome(self, advice: bool) -> str:
        """What it comes to."""
        if self.broken:
            return "warn" if advice else "fail"
        if self.doubtful or (self.aside and not self.checked):
            return "unsure"
        if self.warned:
            return "warn"
        return "pass" if self.checked else "unseen"

    def evidence(self, outcome: str) -> tuple[Place, ...]:
        """Where it was broken or doubtful; where all was well, the place of the worst value."""
        kept = self.places.get(outcome) or (self.places.get("fail") if outcome == "warn" else None)
        if kept:
            return tuple(kept)
        return (_place(*self.worst_at),) if self.worst_at and self.worst_at[0] is not None else ()


class Tally:
    """All counts of one rule. Rules get one and call `check`, `measure` or `of(seat)`."""

    def __init__(self, rule, limit: Limit | None, doubt: int, stalled=None, ledger: Ledger | None = None, excused=None):
        self.stalled, self.ledger, self.excused = stalled, ledger, excused
        self.rule, self.limit, self.doubt = rule, limit, doubt
        self.counts: dict[str, Count] = {}
        self.why: dict[str, str] = {}

    def of(self, seat: str, limit: Limit | None = None) -> Count:
        """The count of one seat, made at its first use. `limit`: this seat's own, where seats differ."""
        count = self.counts.get(seat)
        if count is None:
            count = self.counts[seat] = Count(seat, limit or self.limit, self.doubt, self.stalled, self.ledger, self.excused)
        return count

    def check(self, seat: str, ok: bool, frame=None, text: str = "", warn: bool = False) -> None:
        """See `Count.check`."""
        (self.counts.get(seat) or self.of(seat)).check(ok, frame, text, warn)

    def measure(self, seat: str, value, frame=None, text: str = "", doubt: int | None = None) -> None:
        """See `Count.measure`."""
        (self.counts.get(seat) or self.of(seat)).measure(value, frame, text, doubt)

    def unseen(self, seat: str, why: str) -> None:
        """Why this seat was not put to the test, should it remain so. The first reason stands."""
        self.why.setdefault(seat, why)

    def verdict(self, seat: str, why: str, case: str | None) -> Verdict:
        """The verdict on one seat; `why` is used where it was never put to the test."""
        rule = self.rule
        count = self.counts.get(seat) or Count(seat, self.limit, self.doubt)
        limit = count.limit
        advice = rule.advice or rule.confidence_of(limit) == "C"
        outcome = count.outcome(advice)
        measured = count.margin is not None
        return Verdict(
            rule.id,
            seat,
            outcome,
            count.checked,
            count.broken + (count.warned if outcome == "warn" else 0),
            limit.shown(count.worst) if measured else None,
            limit,
            limit.shown(count.margin) if measured else None,
            limit.shown(count.doubt) if limit and _in_time(limit) else None,
            rule.confidence_of(limit),
            rule.source_of(limit),
            (self.why.get(seat) or why) if outcome == "unseen" else None,
            case,
            count.evidence(outcome),
        )


def _in_time(limit: Limit) -> bool:
    return limit.unit in ("ms", "s")


def _place(frame, text: str) -> Place:
    said = frame.text() if frame is not None else ""
    words = f"{text}: {said}" if text and said else text or said
    if frame is None:
        return Place(0.0, None, words)
    return Place(frame.start / TICKS_PER_SECOND, frame.number, words)
