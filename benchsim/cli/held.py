"""What a check is held against beside its rules: waivers, a saved run, and what a build server wants to read."""

from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from benchsim.checks.golden import differences, read_golden, structure, write_golden
from benchsim.checks.result import EXIT, CaseResult
from benchsim.checks.waivers import Waiver, load_waivers, waive, waiver_rows
from benchsim.cli.places import want_file
from benchsim.errors import UsageError
from benchsim.reports import Record, write_junit
from benchsim.schema import Book

JUnit = Annotated[Path | None, typer.Option("--junit", metavar="FILE", help="Write JUnit XML here, for a build server.")]
Waivers = Annotated[Path | None, typer.Option("--waivers", metavar="FILE", help="Known faults that do not fail the run until a date (`benchsim howto ci`).")]
Today = Annotated[str | None, typer.Option("--today", metavar="DATE", help="The day that waivers are held against (default: today).")]
Allow = Annotated[list[str] | None, typer.Option("--allow", metavar="unsure", help="Verdicts within the doubt of the measurement do not fail the run.")]
Golden = Annotated[Path | None, typer.Option("--golden", metavar="FILE", help="Compare what was asked and answered with a saved run; another order or content fails.")]
WriteGolden = Annotated[Path | None, typer.Option("--write-golden", metavar="FILE", help="Save this run to compare with; cases that were not played stay as they are in FILE.")]


class Held(NamedTuple):
    """All of it, read before anything is played, so that bad usage is told at once."""

    book: Book
    waivers: list[Waiver] | None
    today: date
    golden: dict | None
    save: Path | None
    unsure_is_fine: bool
    junit: Path | None

    def excuse(self, result: CaseResult) -> None:
        """Before a case is told: what is waived is no failure."""
        waive(self.waivers or (), result, self.today)

    def rows(self, results: list[CaseResult]) -> dict[str, list[dict] | None]:
        """The tables of the document, once all cases were played; saves the run if that is wanted."""
        if self.save:
            write_golden(self.save, structure(results, self.book))
        return {
            "waivers": None if self.waivers is None else waiver_rows(self.waivers, results, self.today),
            "golden": None if self.golden is None else differences(self.golden, results, self.book),
        }

    def write(self, record: Record) -> None:
        """The file for a build server. What fails the run there is what fails it here."""
        if self.junit:
            with _told(f"--junit {self.junit}"):
                self.junit.parent.mkdir(parents=True, exist_ok=True)
                with self.junit.open("w", encoding="utf-8", newline="") as stream:
                    write_junit(record, stream, "skipped" if self.unsure_is_fine else "failure")

    def status(self, document: dict) -> int:
        """Exit status. A run in which nothing was put to the test is no pass, whatever is allowed."""
        tried = document["summary"]["unsure"] + document["summary"]["pass"] + document["summary"]["warn"]
        if self.unsure_is_fine and document["outcome"] == "unsure" and tried:
            return EXIT["pass"]
        return EXIT[document["outcome"]]


def held(book: Book, junit: Path | None, waivers: Path | None, today: str | None, allow: list[str] | None,
         golden: Path | None, save: Path | None) -> Held:  # fmt: skip
    """Of the options. UsageError names the one that makes no sense."""
    for word in allow or ():
        if word != "unsure":
            raise UsageError(f"--allow {word}: expected unsure")
    if today is not None and waivers is None:
        raise UsageError(f"--today {today}: expected --waivers FILE with it")
    try:
        day = date.fromisoformat(today) if today else date.today()
    except ValueError:
        raise UsageError(f"--today {today}: expected a date such as 2026-12-31") from None
    if junit and junit.is_dir():
        raise UsageError(f"--junit {junit}: this is a folder, expected a file")
    want_file(save, "--write-golden")
    if save and save.exists():
        read_golden(save, "--write-golden")  # its other cases stay
    return Held(
        book, load_waivers(waivers) if waivers else None, day, read_golden(golden) if golden else None, save, bool(allow), junit
    )


@contextmanager
def _told(place: str):
    try:
        yield
    except OSError as error:
        raise UsageError(f"{place}: {(error.strerror or 'cannot be written').lower()}") from None
