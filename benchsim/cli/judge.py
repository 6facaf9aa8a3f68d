"""`benchsim judge`: what was recorded anywhere, before the same rules."""

import gc
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.captures import open_parts
from benchsim.checks.handover_sheet import sheet
from benchsim.checks.recorded import judge_capture
from benchsim.checks.result import EXIT, make_record
from benchsim.cli.places import make_folder
from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.reports import write_json
from benchsim.reports.about import fingerprint, parse_about
from benchsim.reports.folder import write_out
from benchsim.reports.terminal import print_report
from benchsim.settings import load_settings

MOST_DOUBT = 1e6  # milliseconds


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("judge")(judge)


def judge(
    capture: Annotated[list[Path], typer.Argument(metavar="CAPTURE…", help="A .pcapng, .csv or .vcd file; several: parts of one long recording.")],
    bench: Annotated[Path | None, typer.Option("--bench", metavar="BENCH.toml", help="Bench file.")] = None,
    line: Annotated[list[str] | None, typer.Option("--line", metavar="NAME=SIGNAL", help="Which signal of a logic analyser is which wire, e.g. bus_out=D0.")] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="SEAT", help="Judge only this seat (default: the one that the capture names, else all).")] = None,
    case: Annotated[list[str] | None, typer.Option("--case", metavar="NAME", help="Only this case of a recorded check (may be repeated).")] = None,
    uncertainty: Annotated[float | None, typer.Option("--uncertainty", metavar="MS", min=0, max=MOST_DOUBT, help="By how many ms a recorded time may be off, where the capture does not say it.")] = None,
    about: Annotated[list[str] | None, typer.Option("--about", metavar="KEY=TEXT", help="What was tested, by whom, where (may be repeated); image=@FILE tells its hash.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write report.html, verdicts.json, junit.xml here; of a commissioning, handover.html.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The verdicts as JSON on stdout, nothing else there.")] = False,
    plain: Annotated[bool, typer.Option("--plain", metavar="", help="No colours, ASCII only.")] = False,
    show_all: Annotated[bool, typer.Option("--all", metavar="", help="Also list what nothing put to the test.")] = False,
) -> int:  # fmt: skip
    """Judge a recorded capture by every rule that it can put to the test.

    Examples:
      benchsim judge out/capture.pcapng --case sale-coin
      benchsim judge long/capture.pcapng long/capture-*.pcapng
      benchsim judge site.vcd --line bus_out=D0 --line bus_in=D1 --about place=line-3 --out out
    """
    settings, said = load_settings(bench), parse_about(about)
    book = settings.book()
    make_folder(out)
    gc.freeze()  # what is here already needs no looking through
    gc.set_threshold(50_000)
    opened = open_parts(capture, line_map(line))
    _doubted(opened, uncertainty)
    results = judge_capture(opened, book, case or (), _known_seat(test, book))
    for note in opened.notes:
        print(f"benchsim: {opened.path}: {note}", file=sys.stderr)
    subjects = {result.subject for result in results}
    subject = subjects.pop() if len(subjects) == 1 else None
    replay = _replay(capture, bench, line, test, uncertainty)
    said = settings.said | {"capture": "; ".join(map(fingerprint, capture))} | dict(_noted(opened)) | said
    record = make_record(results, subject, settings.seed, None, replay, settings.text, said)
    record.handover = sheet(results)
    if out:
        write_out(record, out)
    if json:
        write_json(record, sys.stdout)
    else:
        print_report(_console(plain), record, show_all=show_all, report=str(out / "report.html") if out else "")
    return EXIT[record.document["outcome"]]


def _console(plain: bool) -> Console:
    if not plain:
        return Console(highlight=False)
    sys.stdout.reconfigure(encoding="ascii", errors="backslashreplace")
    return Console(highlight=False, no_color=True, color_system=None)


def _doubted(opened, milliseconds: float | None) -> None:
    """The user's own word for the doubt of every time, on top of what the capture says."""
    if milliseconds is not None:
        for name, info in opened.links.items():
            opened.links[name] = info._replace(uncertainty=info.uncertainty + ticks(milliseconds / 1000))


def _known_seat(seat: str | None, book) -> str | None:
    known = ["host", "board", "panel", "auditor", *(one for device in book.devices.values() for one in device.seats)]
    if seat is not None and seat not in known:
        raise UsageError(f"--test {seat}: no such seat, expected one of {', '.join(known)}")
    return seat


def _noted(opened) -> Iterator[tuple[str, str]]:
    """What the reader of the capture had to make of it, for the report."""
    if opened.notes:
        yield "how the capture was read", "; ".join(opened.notes)


def _replay(captures: list[Path], bench: Path | None, lines: list[str] | None, test: str | None, doubt: float | None) -> str:
    parts = ["benchsim", "judge", *map(str, captures)] + (["--bench", str(bench)] if bench else [])
    parts += (["--test", test] if test else []) + (["--uncertainty", f"{doubt:g}"] if doubt is not None else [])
    return shlex.join([*parts, *(word for line in lines or () for word in ("--line", line))])


def line_map(lines: list[str] | None) -> dict[str, str]:
    """Of --line NAME=SIGNAL, as often as given."""
    pairs = {}
    for one in lines or ():
        name, sign, signal = one.partition("=")
        if not sign or not name or not signal:
            raise UsageError(f"--line {one}: expected NAME=SIGNAL, such as bus_out=D0")
        pairs[name] = signal
    return pairs
