"""Every form of the report into one folder."""

from pathlib import Path

from benchsim.errors import UsageError
from benchsim.reports.document import write_json
from benchsim.reports.handover import write_handover
from benchsim.reports.html import write_html
from benchsim.reports.junit import write_junit
from benchsim.reports.record import Record

WRITERS = {"report.html": write_html, "verdicts.json": write_json, "junit.xml": write_junit}
SHEET = "handover.html"  # beside them where a machine was commissioned


def write_folder(record: Record, folder: Path) -> list[Path]:
    """Every form of the report into `folder`, which is made if missing. Returns what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    writers = WRITERS | ({SHEET: write_handover} if record.handover else {})
    for name, write in writers.items():
        # newline="": the same bytes on every system.
        with (folder / name).open("w", encoding="utf-8", newline="") as stream:
            write(record, stream)
    return [folder / name for name in writers]


def write_out(record: Record, folder: Path) -> None:
    """The same for the option `--out`: a folder that cannot be written is a UsageError."""
    try:
        write_folder(record, folder)
    except OSError as error:
        raise UsageError(f"--out {folder}: {(error.strerror or 'cannot be written').lower()}") from None
