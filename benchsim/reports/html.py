"""The report as one HTML file: no network, no script needed to read it, the same bytes for the same record.

This module turns a record into what the template shows; how it looks is the template's matter.
"""

import re
from functools import cache
from itertools import groupby
from typing import Any, TextIO
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from benchsim.reports import chart, timeline
from benchsim.reports.cautions import CAUTIONS
from benchsim.reports.practice import Practice, practice_of
from benchsim.reports.record import Record
from benchsim.reports.rows import (
    Row,
    bound,
    by_case,
    limit_text,
    limit_values,
    rows,
    unseen_by_reason,
    weight,
)
from benchsim.reports.words import (
    MEANINGS,
    OUTCOMES,
    OUTLIVED,
    accused,
    count,
    golden_line,
    golden_place,
    grouped,
    heaviest,
    missed,
    missed_seeds,
    over_seeds,
    printable,
    quantity,
    reason,
    span,
    tally,
    waiver_line,
)

# A sign for each outcome, always beside its word or with the word as its label.
SIGNS = {"pass": "✓", "fail": "×", "unsure": "?", "unseen": "–", "warn": "!"}
WORDS = {"pass": "ok", "fail": "FAIL", "unsure": "unsure", "unseen": "unseen", "warn": "warn"}

OPEN = 12  # so many rules that need a look are shown unfolded
SHOWN = 8  # so many cases of a rule are shown with their evidence
FEW = 8  # up to so many cases of a rule are shown unfolded
COLUMNS = 16  # up to so many cases have a column each in the table of verdicts
FEW_MARKS = 40  # with more cases in a ribbon their numbers have no room


def write_html(record: Record, stream: TextIO) -> None:
    """The whole report. Every text of the record is escaped, control characters are written out."""
    page = templates().get_template("report.html.j2")
    stream.write(page.render(_view(record)))


@cache
def templates() -> Environment:
    """Where every page is made from: nothing unescaped, nothing undefined."""
    return Environment(
        loader=PackageLoader("benchsim.reports"),
        autoescape=True,
        finalize=lambda value: value if isinstance(value, Markup) else printable(value),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _view(record: Record) -> dict[str, Any]:
    document, gathered = record.document, rows(record)
    cases = _cases(record)
    shown = [_rule(record, row, cases) for row in gathered]
    look = [each for each in shown if each["outcome"] in ("fail", "unsure", "warn")]
    for each in look[:OPEN]:
        each["open"] = True
    reasons = unseen_by_reason(gathered)
    return {
        "document": document,
        "record": record,
        "reason": reason(document),
        "summary": [(name, document["summary"][name]) for name in OUTCOMES],
        "cases": cases,
        "groups": _groups(cases),
        "few_marks": FEW_MARKS,
        "columns": [case for case in cases if case["name"]] if len(cases) <= COLUMNS else [],
        "rules": shown,
        "look": look,
        "held": [each for each in shown if each["outcome"] == "pass"],
        "unseen": sorted(reasons.items(), key=lambda item: (-len(item[1]), item[0])),
        "selftest": sorted(document["selftest"] or (), key=lambda row: row["caught"]),
        "missed": len(missed(document)),
        "missed_seeds": missed_seeds,
        "legal": sorted(document["legal"] or (), key=lambda row: not row["failed"]),
        "accused": len(accused(document)),
        "over_seeds": over_seeds,
        "waivers": [(row, waiver_line(row), row["state"] in OUTLIVED) for row in document["waivers"] or ()],
        "golden": document["golden"],
        "golden_line": golden_line,
        "differences": [(place, list(ours)) for place, ours in groupby(document["golden"] or (), key=golden_place)],
        "cautions": CAUTIONS,
        "signs": SIGNS,
        "words": WORDS,
        "few": FEW,
        "meanings": MEANINGS,
        "outcomes": OUTCOMES,
        "linked": lambda name: quote(name, safe="", errors="replace"),
        "span": span,
        "tally": tally,
        "count": count,
        "grouped": grouped,
        "quantity": quantity,
    }


def _groups(cases: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The cases seat by seat, in the order in which they ran."""
    found: dict[str, list[dict[str, Any]]] = {}
    for case in cases:
        found.setdefault((case["note"] and case["note"].subject) or "whole bench", []).append(case)
    return [
        {
            "seat": seat,
            "cases": ours,
            "outcome": heaviest([case["outcome"] for case in ours]),
            "duration_s": sum(case["note"].duration_s for case in ours if case["note"]),
        }
        for seat, ours in found.items()
    ]


def _cases(record: Record) -> list[dict[str, Any]]:
    """Cases in the order in which they ran; verdicts of no case stand under the whole run, last."""
    notes = {note.name: note for note in record.cases}
    found = []
    for number, (name, verdicts) in enumerate(by_case(record).items(), 1):
        outcomes = [verdict["outcome"] for verdict in verdicts]
        found.append(
            {
                "name": name,
                "title": name or "whole run",
                "number": number,
                "anchor": f"case-{number}",
                "note": notes.get(name),
                "outcome": heaviest(outcomes),
                "counts": [(outcome, outcomes.count(outcome)) for outcome in OUTCOMES if outcome in outcomes],
            }
        )
    return found


def _rule(record: Record, row: Row, cases: list[dict[str, Any]]) -> dict[str, Any]:
    """One rule at one seat: figures for the table, drawings and evidence for the fold."""
    told, numbers = row.telling, {case["name"]: case for case in cases}
    samples = [
        value
        for verdict in row.verdicts
        for value in record.samples.get((verdict["case"], row.rule, row.judged), ())
    ]
    verdicts = [_verdict(record, verdict, numbers[verdict["case"]]) for verdict in row.verdicts]
    evidence = sorted((each for each in verdicts if each["outcome"] == row.outcome), key=weight)
    if row.outcome == "pass":
        # Where all held, the place that came nearest to the limit is enough.
        evidence = [each for each in evidence if each["at"]][:1]
    return {
        "rule": row.rule,
        "judged": row.judged,
        "anchor": "rule-" + re.sub(r"[^A-Za-z0-9]+", "-", f"{row.rule}-{row.judged}"),
        "outcome": row.outcome,
        "open": False,
        "statement": record.rule_text.get(row.rule, ""),
        "practice": practice_of(row.rule) if row.outcome in ("fail", "unsure", "warn") else Practice(),
        "checked": row.checked,
        "broken": row.broken,
        "told": told,
        "worst": quantity(told["worst"], told["unit"]),
        "limit": limit_text(told, samples),
        "margin": quantity(told["margin"], told["unit"]),
        "doubt": quantity(told["uncertainty"], told["unit"]),
        "histogram": Markup(_histogram(told, samples)),
        "by_case": {verdict["case"]: verdict["outcome"] for verdict in row.verdicts},
        "verdicts": verdicts,
        "evidence": evidence[:SHOWN],
        "further": len(evidence[SHOWN:]),
        "tested": sorted((each for each in verdicts if each["outcome"] != "unseen"), key=weight),
    }


def _verdict(record: Record, verdict: dict, case: dict[str, Any]) -> dict[str, Any]:
    drawn = record.exchanges.get((verdict["case"], verdict["rule"], verdict["judged"]))
    replay = case["note"].replay if case["note"] else record.replay
    return {
        **verdict,
        "in": case,
        "replay": replay,
        "drawing": Markup(timeline.as_svg(drawn)) if drawn else "",
        "drawing_title": drawn.title if drawn else "",
        "word_list": timeline.word_list(drawn) if drawn else (),
    }


def _histogram(told: dict, samples: list[float]) -> str:
    unit, doubt = told["unit"] or "", told["uncertainty"] or 0.0
    return chart.histogram(samples, limit_values(told), bound(told, samples), unit, doubt, told["worst"])
