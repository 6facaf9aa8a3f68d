"""What was measured of ports, kept beside the bench file and used by later verdicts.

    NAME.ports.json   {"ports": {"LINK=WHERE": {"uncertainty_ms": …, "chunks": …, …}}}
"""

import json
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.ports.base import Port

_WRITER = "what `benchsim ports --qualify` wrote"


def file_of(bench: Path | None) -> Path:
    """Beside the bench file; without one in the current folder."""
    return bench.with_suffix(".ports.json") if bench else Path("benchsim.ports.json")


def load(path: Path) -> dict[str, dict]:
    """All that was measured, by LINK=WHERE; empty if nothing was."""
    try:
        ports = json.loads(path.read_text("utf-8"))["ports"]
        for key, one in ports.items():
            if not 0 < one["uncertainty_ms"] < 60_000 or not isinstance(one["chunks"], bool) or "=" not in key:
                raise ValueError
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror.lower()}, expected {_WRITER}") from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise UsageError(f"{path}: expected {_WRITER}; delete it and measure again") from None
    return ports


def save(path: Path, key: str, document: dict) -> None:
    """Keep what was measured of `key` (LINK=WHERE), in place of an earlier measurement."""
    ports = load(path) | {key: document}
    text = json.dumps({"ports": dict(sorted(ports.items()))}, indent=2, ensure_ascii=False) + "\n"
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror.lower()}, expected a place to keep what was measured") from None


def use(port: Port, where: str, bench: Path | None) -> None:
    """Give a port the doubt that was measured of it, if it was."""
    measured = load(file_of(bench)).get(f"{port.line.name}={where}")
    if measured:
        port.uncertainty, port.chunks = ticks(measured["uncertainty_ms"] / 1000), measured["chunks"]
        port.note = "" if not port.chunks else "words come in lumps here; a logic analyser measures gaps"
