"""Days with shoppers that were played, in a file: a line of JSON for each, so that a run can be killed and gone on with.

    {"program": "5f0c…", "protocols": "91ab…"}              of other ones no days are added
    {"seed": 1, "hours": 12.0, "shoppers": {…}, …}          one for each day, in any order
"""

import json
from collections import Counter
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.settings import Settings
from benchsim.sweeps.shoppers import Day, Played
from benchsim.sweeps.store import about_of


class Days:
    """Such a file; made if it is not there. UsageError if it holds something else, or days of another program."""

    def __init__(self, path: Path):
        self.path = path
        about = about_of(Settings())
        self._about = {name: about[name] for name in ("program", "protocols")}
        self._done: dict[tuple[int, float], Played] = {}
        if path.exists() and path.stat().st_size:
            self._read()
        else:
            self._write(self._about)

    def of(self, day: Day) -> Played | None:
        """What came of a day, if it was played."""
        return self._done.get((day.seed, day.hours))

    def add(self, day: Day, played: Played) -> None:
        """Keep a day, for good."""
        self._done[day.seed, day.hours] = played
        self._write({"seed": day.seed, **played._asdict()})

    def _write(self, line: dict) -> None:
        with self.path.open("a") as file:
            file.write(json.dumps(line) + "\n")

    def _read(self) -> None:
        text = self.path.read_text()
        whole, _, torn = text.rpartition("\n")
        if torn:  # killed in the middle of a line: that day is played again
            self.path.write_text(whole + "\n" if whole else "")
        for number, line in enumerate(whole.splitlines(), 1):
            try:
                self._take(json.loads(line), number)
            except (ValueError, TypeError, KeyError):
                raise UsageError(f"{self.path}: line {number}: expected a day with shoppers") from None

    def _take(self, line: dict, number: int) -> None:
        if number == 1:
            for name, value in self._about.items():
                if line[name] != value:
                    raise UsageError(f"{self.path}: days of another {name}; expected another file for this one")
            return
        seed = line.pop("seed")
        played = Played(**line)
        self._done[seed, played.hours] = played._replace(shoppers=Counter(played.shoppers), failed=tuple(played.failed))
