"""What a sweep has found so far, in SQLite: killed at any moment, it holds whole results only, each once.

    about(key, value)                    the bench, the protocol files, the version: another sweep is refused
    runs(cards, seed, chosen, seen)      one row for each piece of work; the order of the rows is that of the keys
"""

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

import benchsim
from benchsim.checks.result import tool_version
from benchsim.errors import UsageError
from benchsim.schema import protocols_folder
from benchsim.settings import Settings
from benchsim.sweeps.work import Job, Result

NAME = "sweep.sqlite"
_TABLES = """
CREATE TABLE IF NOT EXISTS about (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS runs (
    cards TEXT NOT NULL, seed INTEGER NOT NULL, chosen TEXT NOT NULL, seen TEXT NOT NULL,
    PRIMARY KEY (cards, seed)
) WITHOUT ROWID;
"""


def about_of(settings: Settings) -> dict[str, str]:
    """What makes results comparable."""
    return {
        "version": tool_version(),
        "bench": settings.title,
        "bench_text": hashlib.sha256(settings.text.encode()).hexdigest(),
        "protocols": _digest(protocols_folder(), "*/*.toml"),
        "program": _digest(Path(benchsim.__file__).parent, "**/*.py"),
    }


def _digest(folder: Path, pattern: str) -> str:
    """Of all such files below a folder."""
    digest = hashlib.sha256()
    for path in sorted(folder.glob(pattern)):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


class Store:
    """One database. Use it with `with`."""

    def __init__(self, path: Path, about: dict[str, str] | None = None):
        self.path = path
        try:
            self._db = sqlite3.connect(path)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=NORMAL")  # a kill loses nothing; a power cut at most what is played again
            self._db.executescript(_TABLES)
            if about is not None:
                self._agree(about)
        except sqlite3.DatabaseError as error:
            raise UsageError(f"{path}: expected the database of a sweep: {error}") from None

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *exc) -> None:
        self._db.close()

    def _agree(self, about: dict[str, str]) -> None:
        known = self.about
        for key, value in about.items():
            if key in known and known[key] != value:
                raise UsageError(
                    f"{self.path}: holds a sweep with another {key} ({known[key][:12]}, now {value[:12]}), "
                    "expected another --out for this one"
                )
        with self._db:
            self._db.executemany("INSERT OR IGNORE INTO about VALUES (?, ?)", about.items())

    @property
    def about(self) -> dict[str, str]:
        """What it says of itself."""
        return dict(self._db.execute("SELECT key, value FROM about ORDER BY key"))

    def done(self) -> set[Job]:
        """Work that needs not be repeated."""
        return {Job(*row) for row in self._db.execute("SELECT cards, seed FROM runs")}

    def add(self, results: Iterable[Result]) -> None:
        """Keep results, at once and for good."""
        rows = [(r.job.cards, r.job.seed, r.chosen, r.seen) for r in results]
        with self._db:
            self._db.executemany("INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?)", rows)

    def results(self) -> Iterator[Result]:
        """All of them, in order of their keys."""
        for cards, seed, chosen, seen in self._db.execute("SELECT cards, seed, chosen, seen FROM runs ORDER BY cards, seed"):
            yield Result(Job(cards, seed), chosen, seen)
