"""What a page shows of one bench, whoever makes it go: what was said lately, how it stands, what it looked like before.

It listens to a trace and is the same for a bench in this process and for one in another.
"""

from abc import ABC, abstractmethod
from collections import deque
from pathlib import Path

from benchsim.captures import PartsWriter, write_parts
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_SECOND, Burst, Happening, LinkInfo, seconds, ticks
from benchsim.live.recording import BOUND
from benchsim.live.watch import Watch
from benchsim.schema import Book
from benchsim.settings import Settings
from benchsim.web.strip import Strip

KEEP = 600  # bench seconds that can be looked back
MOMENT = TICKS_PER_SECOND // 4  # a picture of the machine is kept so often
MOST_LINES = 200
RECORD = "page-{:03d}.pcapng"
Picture = dict[str, object]


class Shown(ABC):
    """`keep`: seconds that can be looked back. `folder`: where the page may record to; None: nowhere."""

    paced = False  # True: who looks on may pause, step and choose the speed
    speed, paused, behind = 1.0, False, False
    gone = False  # the bench has ended
    real: frozenset[str] = frozenset()  # seats
    cards: list  # fault cards that this bench has the parts for
    coins: list[tuple[int, int]]  # (type, value) of each that can be put in, by value
    bills: list[tuple[int, int]]

    def __init__(self, settings: Settings, book: Book, keep: float = KEEP, folder: Path | None = None):
        self.settings, self.book, self.keep, self.folder = settings, book, ticks(keep), folder
        self.moments: deque[Picture] = deque(maxlen=self.keep // MOMENT)
        self.lines: deque[tuple[float, str]] = deque(maxlen=MOST_LINES)
        self.recorder: PartsWriter | None = None

    def listen(self, links: list[LinkInfo], subject: str | None = None, seats: frozenset[str] = frozenset()) -> None:
        """From the beginning of a bench. `subject`, `seats`: whose verdicts count, if not all."""
        self.links = links
        self.strip = Strip(self.keep)
        self.watch = Watch(links, self.book, subject, self._told, seats)
        for name in ("kit.frame", "panel.frame", "bus.heard"):
            self.watch.judge.calls(name).append(lambda heard, link=name.split(".")[0]: self._heard(link, heard))
        self.tray = {"products": 0, "coins": 0}
        self._turning: dict[tuple[int, int], None] = {}

    # ---- what its bench does

    @abstractmethod
    def now(self) -> int:
        """Ticks of the bench."""

    @abstractmethod
    def machine(self) -> Picture:
        """What there is to see of the machine just now: `picture.machine`."""

    @abstractmethod
    def do(self, name: str, *values: int) -> str:
        """One of `hands.ACTS`. Returns what is told of it; UsageError if it cannot be done."""

    @abstractmethod
    def switch(self, name: str) -> str:
        """A fault card begins, with its default values, or ends. Returns what is told of it."""

    def advance(self, wall: float) -> None:
        """So much time has passed for those who look on, seconds."""

    def close(self) -> None:
        """Every record is whole."""
        self._stop_recording()

    # ---- hands

    def act(self, name: str, *values: int) -> str:
        """Somebody does something at the machine. Returns what is told of it, or why it cannot be done."""
        try:
            if name == "take":
                self.tray = {"products": 0, "coins": 0}
                line = "tray emptied"
            else:
                line = self.do(name, *values)
        except UsageError as error:
            return str(error)
        self._told(seconds(self.now()), line)
        self.look()
        return line

    def record(self) -> str:
        """Recording begins, into the next file of the folder, or stops. Returns what is told of it."""
        if self.recorder:
            return self._stop_recording()
        if self.folder is None:
            return "where to? give --record FOLDER to benchsim serve"
        number = 1
        while (path := self.folder / RECORD.format(number)).exists():
            number += 1
        try:
            self.recorder = write_parts(path, self.links, BOUND)
        except UsageError as error:
            return str(error)
        return f"recording into {path}"

    def _stop_recording(self) -> str:
        recorder, self.recorder = self.recorder, None
        if recorder is None:
            return ""
        recorder.close()
        return f"{recorder.path}: recording ended early: {recorder.broken}" if recorder.broken else f"recorded: {recorder.path}"

    # ---- listener

    def burst(self, burst: Burst) -> None:
        """Words."""
        self.strip.burst(burst)
        self.watch.burst(burst)
        if self.recorder:
            self.recorder.burst(burst)

    def happening(self, happening: Happening) -> None:
        """Products fall, coins come back, coils turn."""
        self.strip.happening(happening)
        self.watch.happening(happening)
        if self.recorder:
            self.recorder.happening(happening)
        data, kind = happening.data, happening.kind
        if kind == "drop":
            self.tray["products"] += 1
        elif kind == "payout" or (kind == "coin" and data.get("to") == "return"):
            self.tray["coins"] += data["value"]
        elif kind == "coil" and data["state"] == "start":
            self._turning[data["row"], data["column"]] = None
        elif kind == "coil":
            self._turning.pop((data["row"], data["column"]), None)

    def _told(self, time_s: float, line: str) -> None:
        self.lines.append((round(time_s, 3), line))

    def _heard(self, link: str, heard) -> None:
        if heard.broken:
            self.strip.wrong(link, heard.start)

    # ---- pictures

    def picture(self) -> Picture:
        """All there is to see just now, as JSON values."""
        return self.machine() | {
            "time_s": round(seconds(self.now()), 3),
            "links": {name: [t.rate, t.words, t.wrong] for name, t in self.watch.traffic.items()},
            "turning": [list(where) for where in self._turning],
            "tray": dict(self.tray),
            "standing": self.watch.judge.standing(),
        }

    def look(self) -> None:
        """Keep a picture of now."""
        self.moments.append(self.picture())

    def moment_at(self, time_s: float) -> Picture:
        """The picture that was kept last before a time, the oldest if there is none."""
        return next((one for one in reversed(self.moments) if one["time_s"] <= time_s), self.moments[0])

    def findings(self) -> list[dict]:
        """Verdicts so far that need a look, worst first."""
        order = {"fail": 0, "unsure": 1, "warn": 2}
        found = [verdict for verdict in self.watch.judge.verdicts() if verdict.outcome in order]
        return [verdict.as_json() for verdict in sorted(found, key=lambda v: (order[v.outcome], v.rule, v.judged))]
