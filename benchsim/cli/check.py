"""`benchsim check`: play the plan for a seat, judge it, report."""

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from benchsim.captures import open_writer
from benchsim.checks import plans
from benchsim.checks.result import EXIT, CaseResult, make_record
from benchsim.checks.runner import ProgramPlan, play_virtual
from benchsim.checks.variants import run_selftest
from benchsim.errors import UsageError
from benchsim.events import Burst, ticks
from benchsim.ports import split_command
from benchsim.reports import write_folder, write_json
from benchsim.reports.terminal import case_line, print_report
from benchsim.schema import load_book
from benchsim.settings import load_settings


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("check")(check)


def check(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file (default: the demo bench).")] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="SEAT", help="Seat under test, e.g. host.")] = None,
    exec_: Annotated[str | None, typer.Option("--exec", metavar='"CMD {kit} {panel}"', help="Program under test; {link} becomes a serial port's path.")] = None,
    case: Annotated[list[str] | None, typer.Option("--case", metavar="NAME", help="Only this case (may be repeated).")] = None,
    seed: Annotated[int | None, typer.Option(metavar="N", help="Seed of everything that happens by chance.")] = None,
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Write report.html, verdicts.json, junit.xml, capture.pcapng here.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The verdicts as JSON on stdout, nothing else there.")] = False,
    show_all: Annotated[bool, typer.Option("--all", metavar="", help="Also list what nothing put to the test.")] = False,
) -> int:  # fmt: skip
    """Check a seat: play its plan of cases, judge what happens, show the evidence.

    With nothing else: the demo bench, every seat simulated, in virtual time, and a self-test of the plans.

    Examples:
      benchsim check
      benchsim check --test host --exec "python3 fixtures/sample_host/host.py {kit} {panel}" --out out
    """
    settings, book = load_settings(bench), load_book()
    seed = settings.seed if seed is None else seed
    if exec_ and not test:
        raise UsageError("--exec: expected --test SEAT with it, to say which seat the program takes")
    plan = plans.plan_for(test)
    cases = plans.pick(plan, case)
    if out and out.exists() and not out.is_dir():  # told now, not after minutes of play
        raise UsageError(f"--out {out}: this is a file, expected a folder or a new name")
    console = Console(stderr=json, highlight=False)
    interrupted = False
    if exec_:
        runner = _program(settings, book, seed, test, exec_)
        with _Progress(console, len(cases)) as told:
            results, interrupted = runner.run(cases, lambda _: told())
        for result in results:
            _case_line(console, result)
    else:
        results = []
        with _Progress(console, len(cases)) as told:
            try:
                for one in cases:
                    results.append(play_virtual(settings, book, one, seed, plans.subject_of(one, test)))
                    _case_line(console, results[-1])
                    told()
            except KeyboardInterrupt:
                interrupted = True
    selftest = None
    if test is None and not case and not interrupted:
        selftest = run_selftest(settings, book, seed)
    about = {"command under test": exec_} if exec_ else {}
    record = make_record(results, test, seed, selftest, _replay(bench, test, exec_, seed), settings.text, about)
    if out:
        record.captures = ["capture.pcapng"]
        _write_out(out, record, results)
    if json:
        write_json(record, sys.stdout)
    print_report(console, record, show_all=show_all, report=str(out / "report.html") if out else "")
    return 130 if interrupted else EXIT[record.document["outcome"]]


def _program(settings, book, seed: int, test: str, command: str) -> ProgramPlan:
    words = split_command(command, {"kit", "panel"})
    if test != "host":
        raise UsageError(f"--test {test}: a program can take the seat host so far")
    return ProgramPlan(settings, book, seed, test, words)


def _case_line(console: Console, result: CaseResult) -> None:
    note = make_record([result], result.subject, 0, None, "").cases[0]
    case_line(console, note, [v.as_json() for v in result.verdicts])


class _Progress:
    """A bar while a person looks on, counting cases as they have been played."""

    def __init__(self, console: Console, total: int):
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        self.bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
        self.task = self.bar.add_task("cases played", total=total)

    def __enter__(self):
        self.bar.__enter__()
        return lambda: self.bar.advance(self.task)

    def __exit__(self, *exc) -> None:
        self.bar.__exit__(*exc)


def _replay(bench: Path | None, test: str | None, command: str | None, seed: int) -> str:
    parts = ["benchsim", "check"] + ([str(bench)] if bench else [])
    parts += (["--test", test] if test else []) + (["--exec", command] if command else [])
    return " ".join(shlex.quote(part) for part in [*parts, "--seed", str(seed)])


def _write_out(folder: Path, record, results: list[CaseResult]) -> None:
    try:
        write_folder(record, folder)
    except OSError as error:
        raise UsageError(f"--out {folder}: {(error.strerror or 'cannot be written').lower()}") from None
    if results:
        _write_capture(folder / record.captures[0], results)


def _write_capture(path: Path, results: list[CaseResult]) -> None:
    """All cases in one file, one after another; a `case` happening begins each."""
    links = [max((r.links[i] for r in results), key=lambda info: info.uncertainty) for i in range(len(results[0].links))]
    shift = 0
    with open_writer(path, links) as writer:
        for result in results:
            for event in result.events:
                if type(event) is Burst:
                    writer.burst(event._replace(start=event.start + shift, end=event.end + shift))
                else:
                    writer.happening(event._replace(time=event.time + shift))
            shift += result.end + ticks(1)
