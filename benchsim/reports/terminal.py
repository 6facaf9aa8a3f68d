"""The report for people at a terminal. Marks are words and signs, so it reads without colour too.

Everything goes to the console that is handed in, so that standard output stays clean for `--json`.
The caller's console knows whether it is a terminal, how wide it is and whether colour is wanted.
"""

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchsim.reports import timeline
from benchsim.reports.record import CaseNote, Record
from benchsim.reports.rows import Row, limit_text, rows, seats_together, unseen_by_reason, weight
from benchsim.reports.words import (
    MARKS,
    MEANINGS,
    OUTCOMES,
    count,
    headline,
    heaviest,
    moment,
    printable,
    quantity,
    span,
    tally,
)

STYLES = {"pass": "green", "fail": "bold red", "unsure": "bold blue", "warn": "yellow", "unseen": "dim"}
CASES = 3  # cases told of one rule, the heaviest
PLACES = 3  # places of evidence shown for one verdict


def case_line(console: Console, note: CaseNote, verdicts: list[dict]) -> None:
    """A line as a case finishes: mark, name, bench time, what was found. Below it what else is to be known."""
    outcome = heaviest([verdict["outcome"] for verdict in verdicts])
    counts = {name: sum(verdict["outcome"] == name for verdict in verdicts) for name in OUTCOMES}
    told = ", ".join(f"{number} {name}" for name, number in counts.items() if number)
    line = _mark(console, outcome)
    line.pad_right(max(0, 6 - line.cell_len))
    line.append_text(
        _text(console, f"{note.name:<24} {span(note.duration_s):>12}  {told or 'nothing to judge'}")
    )
    console.print(line, soft_wrap=True)
    for words in note.notes:
        console.print(_text(console, f"      {words}"), soft_wrap=True)


def print_report(console: Console, record: Record, show_all: bool = False, report: str = "") -> None:
    """All of it: table, what needs a look, self-test, and last of all the outcome and where the report is.

    `show_all` also lists what nothing put to the test. `report` is where the full report was written.
    """
    gathered = rows(record)
    if gathered:
        console.print()
        console.print(_table(console, record, gathered, show_all))
        console.print()
    for row in gathered:
        if row.outcome in ("fail", "unsure", "warn"):
            _detail(console, record, row)
    _unseen(console, gathered, show_all)
    if record.document["selftest"]:
        _selftest(console, record.document["selftest"])
    outcome = record.document["outcome"]
    last = _text(console, headline(record.document), STYLES[outcome])
    last.append_text(_text(console, f" Report: {report}" if report else ""))
    console.print(last, soft_wrap=True)


def _table(console: Console, record: Record, gathered: list[Row], show_all: bool) -> Table:
    """Rules that held are a row each, seats together, unless all is wanted."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    for name in ("", "rule", "seat"):
        table.add_column(name, no_wrap=True)
    for name in ("broken", "worst"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("limit", overflow="fold")
    shown = gathered if show_all else seats_together(row for row in gathered if row.outcome != "unseen")
    for row in shown:
        table.add_row(_mark(console, row.outcome), *(_text(console, cell) for cell in _cells(record, row)))
    return table


def _cells(record: Record, row: Row) -> tuple[str, ...]:
    told = row.telling
    return (
        row.rule,
        row.judged,
        f"{row.broken} of {row.checked}",
        quantity(told["worst"], told["unit"]),
        _limit(record, told),
    )


def _limit(record: Record, verdict: dict) -> str:
    return limit_text(verdict, record.samples.get((verdict["case"], verdict["rule"], verdict["judged"]), []))


def _detail(console: Console, record: Record, row: Row) -> None:
    """What was broken or could not be told, case by case, with the first places to look at."""
    title = _mark(console, row.outcome)
    title.append_text(_text(console, f" {row.rule} at {row.judged}", "bold"))
    title.append_text(_text(console, f": {record.rule_text.get(row.rule, MEANINGS[row.outcome])}"))
    console.print(title)
    notes = {note.name: note for note in record.cases}
    told = sorted((each for each in row.verdicts if each["outcome"] == row.outcome), key=weight)
    for number, verdict in enumerate(told[:CASES]):
        for line in _told(record, verdict):
            console.print(Padding(_text(console, line), (0, 0, 0, 5)))
        if number == 0:
            _drawing(console, record, verdict)
        note = notes.get(verdict["case"])
        again = note.replay if note else record.replay
        if again:
            # Not wrapped: it is there to be copied.
            console.print(_text(console, f"     again: {again}"), soft_wrap=True)
    if told[CASES:]:
        console.print(_text(console, f"     and the same in {count(len(told[CASES:]), 'further case')}"))
    console.print()


def _told(record: Record, verdict: dict) -> list[str]:
    figures = [
        f"{verdict['case'] or 'whole run'}: {tally(verdict)}",
        f"worst {quantity(verdict['worst'], verdict['unit'])}" if verdict["worst"] is not None else "",
        _limit(record, verdict),
        f"doubt {quantity(verdict['uncertainty'], verdict['unit'])}" if verdict["uncertainty"] else "",
    ]
    lines = [
        ", ".join(filter(None, figures)),
        f"source: {verdict['source']} (confidence {verdict['confidence']})",
    ]
    for place in verdict["at"][:PLACES]:
        lines.append(f"{moment(place)}: {place['text']}")
    if len(verdict["at"]) > PLACES:
        lines.append(f"and {len(verdict['at']) - PLACES} more in the report")
    return lines


def _drawing(console: Console, record: Record, verdict: dict) -> None:
    drawn = record.exchanges.get((verdict["case"], verdict["rule"], verdict["judged"]))
    if drawn:
        for line in timeline.as_text(drawn, console.width - 5).splitlines():
            console.print(_text(console, f"     {line}", "dim"), soft_wrap=True)


def _unseen(console: Console, gathered: list[Row], show_all: bool) -> None:
    reasons = unseen_by_reason(gathered)
    if not reasons:
        return
    total = sum(len(held) for held in reasons.values())
    console.print(_text(console, f"Not put to the test: {count(total, 'rule')}", "bold"))
    for why, held in sorted(reasons.items(), key=lambda item: (-len(item[1]), item[0])):
        names = ": " + ", ".join(f"{row.rule} {row.judged}" for row in held) if show_all else ""
        console.print(
            Padding(_text(console, f"{len(held):>3}  {why}{names}", STYLES["unseen"]), (0, 0, 0, 2))
        )
    console.print()


def _selftest(console: Console, variants: list[dict]) -> None:
    """Wrong variants of our own seats: was each caught by the rule that is there for it?"""
    slipped = [row for row in variants if not row["caught"]]
    told = f"Self-test: {len(variants) - len(slipped)} of {count(len(variants), 'wrong variant')} caught"
    console.print(_text(console, told, "bold"))
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_edge=False)
    for name in ("", "variant", "seat", "rule expected"):
        table.add_column(name, overflow="fold")
    for row in sorted(variants, key=lambda row: row["caught"]):
        mark = _text(console, "caught", "green") if row["caught"] else _text(console, "MISSED", "bold red")
        table.add_row(mark, *(_text(console, row[key]) for key in ("variant", "seat", "rule")))
    console.print(table)
    console.print()


def _mark(console: Console, outcome: str) -> Text:
    return _text(console, MARKS[outcome], STYLES[outcome])


def _text(console: Console, words: object, style: str = "") -> Text:
    """Text that is not markup, and that the console's encoding can carry."""
    told = printable(words).encode(console.encoding, "backslashreplace").decode(console.encoding)
    return Text(told, style)
