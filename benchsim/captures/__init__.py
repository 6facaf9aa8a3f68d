"""Captures: record what passes at the bench, and hand it to the judge again later.

Three formats, chosen by suffix: `.pcapng` holds everything, `.csv` and `.vcd` hold words and edges
for other people's tools, and read what those tools export.
"""

from collections.abc import Mapping
from pathlib import Path

from benchsim.captures.base import Capture, Writer
from benchsim.captures.csv_words import CsvCapture, CsvWriter
from benchsim.captures.pcapng import PcapngCapture, PcapngWriter
from benchsim.captures.vcd import VcdCapture, VcdWriter
from benchsim.errors import UsageError
from benchsim.events import LinkInfo

__all__ = ["Capture", "Writer", "open_capture", "open_writer"]

FORMATS = {
    ".pcapng": (PcapngCapture, PcapngWriter),
    ".csv": (CsvCapture, CsvWriter),
    ".vcd": (VcdCapture, VcdWriter),
}


def _format(path: Path) -> tuple:
    if path.suffix.lower() not in FORMATS:
        raise UsageError(f"{path}: expected a name ending in {', '.join(FORMATS)}")
    return FORMATS[path.suffix.lower()]


def open_writer(path: str | Path, links: list[LinkInfo]) -> Writer:
    """Begin a recording of `links` at `path`. Raises UsageError for an unknown suffix or a closed door."""
    path = Path(path)
    return _format(path)[1](path, links)


def open_capture(path: str | Path, line_map: Mapping[str, str] = {}) -> Capture:
    """Open a recording. `line_map` names the signals of a logic analyser: {"bus_out": "D0"}.

    Raises UsageError for an unknown suffix, an unreadable file and a missing or cut header.
    """
    path = Path(path)
    return _format(path)[0](path, line_map)
