"""Verdicts gathered for reading: one row for a rule and a seat, over all cases."""

from collections.abc import Iterable
from dataclasses import dataclass

from benchsim.judge.verdict import rank
from benchsim.reports.record import Record
from benchsim.reports.words import OUTCOMES, heaviest, quantity


@dataclass(frozen=True)
class Row:
    """What all cases together say about one rule at one seat."""

    rule: str
    judged: str
    verdicts: tuple[dict, ...]  # in the document's order

    @property
    def outcome(self) -> str:
        return heaviest([verdict["outcome"] for verdict in self.verdicts])

    @property
    def checked(self) -> int:
        return sum(verdict["checked"] for verdict in self.verdicts)

    @property
    def broken(self) -> int:
        return sum(verdict["broken"] for verdict in self.verdicts)

    @property
    def telling(self) -> dict:
        """The verdict that decides the row: of the heaviest outcome, the one with the least margin."""
        return min(self.verdicts, key=weight)


def weight(verdict: dict) -> tuple:
    """Sorts verdicts: heaviest outcome first, then least margin, those that were not measured last."""
    margin = verdict["margin"]
    return OUTCOMES.index(verdict["outcome"]), margin is None, margin or 0


def rows(record: Record) -> list[Row]:
    """Heaviest outcome first, then in the order in which rules are read, then by seat."""
    found: dict[tuple[str, str], list[dict]] = {}
    for verdict in record.document["verdicts"]:
        found.setdefault((verdict["rule"], verdict["judged"]), []).append(verdict)
    gathered = [Row(rule, judged, tuple(verdicts)) for (rule, judged), verdicts in found.items()]
    return sorted(
        gathered, key=lambda row: (OUTCOMES.index(row.outcome), rank(row.rule), row.rule, row.judged)
    )


def seats_together(gathered: Iterable[Row]) -> list[Row]:
    """The same rows, but a rule that held at several seats is one row for all of them."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in gathered:
        found.setdefault((row.rule, "" if row.outcome == "pass" else row.judged), []).append(row)
    return [held[0] if len(held) == 1 else _together(held) for held in found.values()]


def _together(held: list[Row]) -> Row:
    verdicts = tuple(verdict for row in held for verdict in row.verdicts)
    return Row(held[0].rule, f"{len(held)} seats", verdicts)


def unseen_by_reason(gathered: list[Row]) -> dict[str, list[Row]]:
    """Rows that nothing put to the test, by the reason that their first verdict gives."""
    reasons: dict[str, list[Row]] = {}
    for row in gathered:
        if row.outcome == "unseen":
            reasons.setdefault(row.verdicts[0]["why"] or "no reason was given", []).append(row)
    return reasons


def by_case(record: Record) -> dict[str | None, list[dict]]:
    """Verdicts of each case, in the order of the record's cases; None holds those of the whole run."""
    found: dict[str | None, list[dict]] = {note.name: [] for note in record.cases}
    for verdict in record.document["verdicts"]:
        found.setdefault(verdict["case"], []).append(verdict)
    return found


def bound(verdict: dict, samples: list[float]) -> tuple[float | None, float | None]:
    """The lowest and highest legal value, None where there is none.

    A limit that is a pair (from, to) says it; None in it is an open side. A limit that is one number
    comes with a margin (positive: on the legal side), and which side is legal follows from the two.
    Only where the worst value is exactly at its limit do the samples have to tell, and without any
    the side stays unknown.
    """
    limit, worst, margin = verdict["limit"], verdict["worst"], verdict["margin"]
    if isinstance(limit, (list, tuple)) and len(limit) == 2:
        return limit[0], limit[1]
    if not _number(limit):
        return None, None
    if _number(worst) and worst != limit and margin:
        return (None, limit) if (worst < limit) == (margin > 0) else (limit, None)
    lean = sum((value < limit) - (value > limit) for value in samples)
    return (None, limit) if lean > 0 else (limit, None) if lean < 0 else (None, None)


def limit_text(verdict: dict, samples: list[float]) -> str:
    """The limit for people: `at most 5 ms`, `25 to 200 ms`; without a side where none can be told."""
    low, high = bound(verdict, samples)
    if (low is None) == (high is None):
        return quantity(verdict["limit"], verdict["unit"])
    side, value = ("at least", low) if high is None else ("at most", high)
    return f"{side} {quantity(value, verdict['unit'])}"


def limit_values(verdict: dict) -> list[float]:
    """The numbers in a limit: none, one or two."""
    limit = verdict["limit"]
    return [value for value in (limit if isinstance(limit, (list, tuple)) else [limit]) if _number(value)]


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
