"""The book of drills: who did what and how it went, in one SQLite file. Every step is written as it is taken, so that
nothing is lost when a page is closed or the power goes.
"""

import csv
import json
import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple, TextIO

from benchsim.drills.drill import Drill, Score, Step
from benchsim.errors import UsageError
from benchsim.faults import load_cards

TABLES = """
create table if not exists drill (
  number integer primary key, nickname text not null, name text not null, level integer, seed integer not null,
  two integer not null, steps text not null default '[]', hidden text not null, named text, points integer,
  minutes real, best_minutes real, wasted integer, hurts integer, ended integer not null default 0
)"""
COLUMNS = ("number", "nickname", "name", "level", "seed", "two", "hidden", "named", "points", "minutes", "best_minutes", "wasted", "hurts")
LONGEST_NAME = 30


class Entry(NamedTuple):
    """One drill in the book."""

    number: int
    nickname: str
    name: str
    level: int | None
    seed: int
    two: bool
    steps: list[Step]


class Book:
    """`path`: the file; it is made if it is not there. UsageError if it is something else."""

    def __init__(self, path: Path):
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute(TABLES)
            self._db.execute("select points from drill limit 1")
        except (sqlite3.Error, OSError) as error:
            raise UsageError(f"{path}: expected a book of drills or a new file: {error}") from None

    def close(self) -> None:
        """Harmless twice."""
        self._db.close()

    # ---- one drill

    def begin(self, nickname: str, name: str, level: int | None, seed: int, drill: Drill) -> int:
        """Its number. UsageError for a nickname that is none."""
        if not 0 < len(nickname.strip()) <= LONGEST_NAME or not nickname.isprintable():
            raise UsageError(f"nickname {nickname!r}: expected 1 to {LONGEST_NAME} printable characters")
        done = self._db.execute(
            "insert into drill (nickname, name, level, seed, two, hidden) values (?, ?, ?, ?, ?, ?)",
            (nickname.strip(), name, level, seed, len(drill.hidden) > 1, "+".join(drill.hidden)),
        )
        return done.lastrowid

    def keep(self, number: int, drill: Drill) -> None:
        """The steps so far; the score, if it is over."""
        steps = json.dumps([told.step.as_list() for told in drill.told])
        self._db.execute("update drill set steps = ? where number = ?", (steps, number))
        if drill.over:
            self._ended(number, drill, drill.score())

    def _ended(self, number: int, drill: Drill, score: Score) -> None:
        self._db.execute(
            "update drill set ended = 1, named = ?, points = ?, minutes = ?, best_minutes = ?, wasted = ?, hurts = ? where number = ?",
            ("+".join(drill.named) or None, score.points, score.minutes, score.best_minutes, len(score.wasted), len(score.hurts), number),
        )

    def open_one(self, nickname: str) -> Entry | None:
        """The drill that this trainee has begun and not ended, the newest."""
        row = self._db.execute(
            "select number, nickname, name, level, seed, two, steps from drill where nickname = ? and not ended order by number desc",
            (nickname.strip(),),
        ).fetchone()
        if row is None:
            return None
        return Entry(*row[:5], bool(row[5]), [Step(*one) for one in json.loads(row[6])])

    def next_seed(self, nickname: str) -> int:
        """A seed that this trainee has not had."""
        return 1 + self._db.execute("select coalesce(max(seed), 0) from drill where nickname = ?", (nickname.strip(),)).fetchone()[0]

    # ---- for the mentor

    def rows(self) -> Iterator[dict]:
        """Every ended drill."""
        for row in self._db.execute(f"select {', '.join(COLUMNS)} from drill where ended order by number"):
            yield dict(zip(COLUMNS, row, strict=True))

    def progress(self) -> dict[str, dict[str, tuple[int, int, float]]]:
        """nickname -> group of cards -> (drills, right ones, mean points)."""
        kept: dict[str, dict[str, list[tuple[bool, int]]]] = {}
        for row in self.rows():
            first = row["hidden"].split("+")[0]
            group = load_cards()[first].group if first in load_cards() else "others"
            right = not _apart(row)[0]
            kept.setdefault(row["nickname"], {}).setdefault(group, []).append((right, row["points"]))
        return {
            who: {g: (len(one), sum(r for r, _ in one), sum(p for _, p in one) / len(one)) for g, one in sorted(groups.items())}
            for who, groups in sorted(kept.items())
        }

    def confusions(self) -> list[tuple[str, str, int]]:
        """(hidden, what was named instead, how often), the commonest first."""
        apart = (_apart(row) for row in self.rows())
        counts = Counter((missed, wrong or "nothing, out of time") for missed, wrong in apart if missed)
        return [(*pair, n) for pair, n in sorted(counts.items(), key=lambda one: (-one[1], one[0]))]

    def export(self, stream: TextIO) -> None:
        """Every ended drill as CSV."""
        out = csv.writer(stream, lineterminator="\n")
        out.writerow(COLUMNS)
        out.writerows(list(row.values()) for row in self.rows())


def _apart(row: dict) -> tuple[str, str]:
    """What was hidden and not named, and what was named and not hidden."""
    hidden, named = row["hidden"].split("+"), (row["named"] or "").split("+")
    return "+".join(one for one in hidden if one not in named), "+".join(one for one in named if one not in hidden)


@contextmanager
def opened(path: Path) -> Iterator[Book]:
    """A book, closed in the end."""
    book = Book(path)
    try:
        yield book
    finally:
        book.close()
