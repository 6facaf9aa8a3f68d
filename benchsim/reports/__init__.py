"""What people and their tools read after a run: JSON, JUnit XML, HTML, terminal. One input: `Record`.

Every form is a function of the record alone: no clock, no path, no network. Same record, same bytes.
"""

from pathlib import Path

from benchsim.reports.document import write_json
from benchsim.reports.exchanges import exchanges
from benchsim.reports.html import write_html
from benchsim.reports.junit import write_junit
from benchsim.reports.record import CaseNote, Exchange, Limit, Record, Stretch

__all__ = [
    "CaseNote",
    "Exchange",
    "Limit",
    "Record",
    "Stretch",
    "exchanges",
    "write_folder",
    "write_html",
    "write_json",
    "write_junit",
]

WRITERS = {"report.html": write_html, "verdicts.json": write_json, "junit.xml": write_junit}


def write_folder(record: Record, folder: Path) -> list[Path]:
    """Every form of the report into `folder`, which is made if missing. Returns what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, write in WRITERS.items():
        # newline="": the same bytes on every system.
        with (folder / name).open("w", encoding="utf-8", newline="") as stream:
            write(record, stream)
    return [folder / name for name in WRITERS]
