"""Captures: record what passes at the bench, and hand it to the judge again later.

Three formats, chosen by suffix: `.pcapng` holds everything, `.csv` and `.vcd` hold words and edges
for other people's tools, and read what those tools export.
"""

from collections.abc import Mapping
from pathlib import Path

from benchsim.captures.base import Capture, Writer
from benchsim.captures.csv_words import CsvCapture, CsvWriter
from benchsim.captures.parts import Bound, JoinedCapture, PartsWriter
from benchsim.captures.pcapng_reader import PcapngCapture
from benchsim.captures.pcapng_writer import PcapngWriter
from benchsim.captures.vcd_reader import VcdCapture
from benchsim.captures.vcd_writer import VcdWriter
from benchsim.errors import UsageError
from benchsim.events import LinkInfo

__all__ = ["Bound", "Capture", "PartsWriter", "Writer", "open_capture", "open_parts", "open_writer", "write_parts"]

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


def write_parts(path: Path, links: list[LinkInfo], bound: Bound) -> PartsWriter:
    """Begin a recording that takes no more of the disk than `bound`."""
    return PartsWriter(path, links, bound, open_writer)


def open_parts(paths: list[Path], line_map: Mapping[str, str] = {}) -> Capture:
    """Open a recording that lies in one or several files."""
    parts = [open_capture(path, line_map) for path in paths]
    return parts[0] if len(parts) == 1 else JoinedCapture(parts)


def open_capture(path: str | Path, line_map: Mapping[str, str] = {}) -> Capture:
    """Open a recording. `line_map` names the signals of a logic analyser: {"bus_out": "D0"}.

    Raises UsageError for an unknown suffix, an unreadable file and a missing or cut header.
    """
    path = Path(path)
    return _format(path)[0](path, line_map)
