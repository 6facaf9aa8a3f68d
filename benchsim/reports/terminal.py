"""The report for people at a terminal. Marks are words and signs, so it reads without colour too.

Everything goes to the console that is handed in, so that standard output stays clean for `--json`.
The caller's console knows whether it is a terminal, how wide it is and whether colour is wanted.
"""

from itertools import groupby

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchsim.reports import timeline
from benchsim.reports.practice import practice_of
from benchsim.reports.record import CaseNote, Record
from benchsim.reports.rows import Row, limit_text, rows, seats_together, unseen_by_reason, weight
from benchsim.reports.words import (
    MARKS,
    MEANINGS,
    OUTCOMES,
    OUTLIVED,
    WAIVER_USED,
    count,
    golden_line,
    golden_place,
    headline,
    heaviest,
    missed_seeds,
    moment,
    over_seeds,
    printable,
    quantity,
    span,
    tally,
    waiver_line,
)

STYLES = {"pass": "green", "fail": "bold red", "unsure": "bold blue", "warn": "yellow", "unseen": "dim"}
CASES = 3  # cases told of one rule, the heaviest
PLACES = 3  # places of evidence shown for one verdict
SIGNS = {"new": "+", "missing": "-", "moved": "~", "new case": "+"}  # of differences from a saved run


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


def left_out_line(console: Console, why: str, names: list[str]) -> None:
    """Cases that were not played, and why."""
    line = _mark(console, "unseen")
    line.pad_right(max(0, 6 - line.cell_len))
    line.append_text(_text(console, f"{count(len(names), 'case')} left out: {why}"))
    console.print(line, soft_wrap=True)
    console.print(Padding(_text(console, ", ".join(names)), (0, 0, 0, 6)))


def plan_line(console: Console, seat: str, notes: list[CaseNote], verdicts: list[dict]) -> None:
    """The same for all cases of a seat at once."""
    title = f"{seat}: {count(len(notes), 'case')}"
    case_line(console, CaseNote(title, "", seat, sum(note.duration_s for note in notes), ""), verdicts)


def print_report(console: Console, record: Record, show_all: bool = False, report: str = "") -> None:
    """All of it: table, what needs a look, self-test, and last of all the outcome and where the report is.

    `show_all` also lists what nothing put to the test. `report` is where the full report was written.
    """
    gathered = rows(record)
    if gathered:
        console.print()
        console.print(_table(console, record, gathered, show_all))
        console.print()
    print_needed(console, record)
    _unseen(console, gathered, show_all)
    if record.document["selftest"]:
        _selftest(console, record.document["selftest"], show_all)
    if record.document["legal"]:
        _legal(console, record.document["legal"])
    _waivers(console, record.document["waivers"] or ())
    _golden(console, record.document["golden"])
    outcome = record.document["outcome"]
    last = _text(console, headline(record.document), STYLES[outcome])
    last.append_text(_text(console, f" Report: {report}" if report else ""))
    console.print(last, soft_wrap=True)


def print_needed(console: Console, record: Record) -> None:
    """Only what needs a look."""
    for row in rows(record):
        if row.outcome in ("fail", "unsure", "warn"):
            _detail(console, record, row)


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
    known = practice_of(row.rule)
    for name, words in (("in practice", known.breaks), ("look first at", known.look)):
        if words:
            console.print(Padding(_text(console, f"{name}: {words}"), (0, 0, 0, 5)))
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
    if verdict["outcome"] == "warn" and verdict["why"]:
        lines.append(verdict["why"])
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


def _selftest(console: Console, variants: list[dict], show_all: bool) -> None:
    """Wrong variants of our own seats: was each caught by the rule that is there for it? Missed ones are listed."""
    slipped = [row for row in variants if not row["caught"]]
    told = f"Self-test: {len(variants) - len(slipped)} of {count(len(variants), 'wrong variant')} caught"
    console.print(_text(console, told, "bold"))
    table = _variants(("", "variant", "seat", "rule expected"))
    for row in sorted(variants if show_all else slipped, key=lambda row: row["caught"]):
        mark = _text(console, "caught", "green") if row["caught"] else _text(console, "MISSED", "bold red")
        title = ", ".join(filter(None, (row["variant"], over_seeds(row), missed_seeds(row))))
        table.add_row(mark, *(_text(console, cell) for cell in (title, row["seat"], row["rule"])))
    if table.row_count:
        console.print(table)
    else:
        for seat, rows in groupby(variants, key=lambda row: row["seat"]):
            console.print(Padding(_text(console, f"{len(list(rows)):>3}  of {seat}"), (0, 0, 0, 2)))
    console.print()


def _legal(console: Console, variants: list[dict]) -> None:
    """Seats that are odd and yet legal: did every rule leave them alone? Only those accused are listed."""
    wronged = [row for row in variants if row["failed"]]
    told = f"Odd but legal: {len(variants) - len(wronged)} of {count(len(variants), 'variant')} left alone"
    console.print(_text(console, told, "bold"))
    if wronged:
        table = _variants(("", "variant", "seat", "accused of"))
        for row in wronged:
            cells = row["variant"], row["seat"], "; ".join(row["failed"])
            table.add_row(_text(console, "ACCUSED", "bold red"), *(_text(console, cell) for cell in cells))
        console.print(table)
    console.print()


def _waivers(console: Console, rows: list[dict]) -> None:
    for row in rows:
        mark = _mark(console, "fail" if row["state"] in OUTLIVED else "warn" if row["state"] == WAIVER_USED else "unseen")
        mark.append_text(_text(console, f" waiver: {waiver_line(row)}"))
        console.print(mark, soft_wrap=True)
    if rows:
        console.print()


def _golden(console: Console, rows: list[dict] | None) -> None:
    """What is another than in the saved run, case by case."""
    if rows is None:
        return
    console.print(_text(console, f"Saved run: {count(len(rows), 'difference') if rows else 'the same'}", "bold"))
    for place, ours in groupby(rows, key=golden_place):
        console.print(_text(console, f"  {place}"), soft_wrap=True)
        for row in ours:
            console.print(_text(console, f"    {SIGNS[row['kind']]} {golden_line(row)}"), soft_wrap=True)
    console.print()


def _variants(columns: tuple[str, ...]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_edge=False)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table


def _mark(console: Console, outcome: str) -> Text:
    return _text(console, MARKS[outcome], STYLES[outcome])


def _text(console: Console, words: object, style: str = "") -> Text:
    """Text that is not markup, and that the console's encoding can carry."""
    told = printable(words).encode(console.encoding, "backslashreplace").decode(console.encoding)
    return Text(told, style)
