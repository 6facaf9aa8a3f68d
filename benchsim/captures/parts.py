"""A long recording in parts: a new file when one is full, the oldest deleted when there are too many, and all that are
left read as one.

    capture.pcapng, capture-0002.pcapng, capture-0003.pcapng…

Each part can be read alone. One that is not the first begins with a happening "part" on the machine interface: the
words of the run's own "case" once more, so that whoever reads it knows what was recorded. Times count from the
start of the run in all of them.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple, Self

from benchsim.captures.base import Capture, Writer
from benchsim.errors import UsageError
from benchsim.events import Burst, Happening, LinkInfo

PART = "part"


class Bound(NamedTuple):
    """How much of a disk a recording may take: so many parts of so many bytes each, and a little."""

    size: int
    parts: int


class PartsWriter:
    """A listener that records into parts. `make(path, links)` begins one.

    A disk that is full ends the recording and not the run: `broken` says why.
    """

    def __init__(self, path: Path, links: list[LinkInfo], bound: Bound, make: Callable[[Path, list[LinkInfo]], Writer]):
        self.path, self.links, self.bound, self._make = path, links, bound, make
        self.parts: list[Path] = []  # those that are left, oldest first
        self.dropped = 0  # parts that were deleted
        self.dropped_until = 0  # ticks: start of the oldest that is left
        self.broken = ""
        self._starts: list[int] = []
        self._case: Happening | None = None
        for left in path.parent.glob(f"{path.stem}-[0-9][0-9][0-9][0-9]{path.suffix}"):  # of an earlier run
            left.unlink(missing_ok=True)
        self._writer = self._begin(0)

    @property
    def size(self) -> int:
        """Bytes on the disk by now."""
        closed = self.parts[:-1] if self._writer else self.parts
        return sum(part.stat().st_size for part in closed if part.exists()) + (self._writer.size() if self._writer else 0)

    def burst(self, burst: Burst) -> None:
        """Record it."""
        self._write(burst.start, lambda writer: writer.burst(burst))

    def happening(self, happening: Happening) -> None:
        """Record it."""
        if happening.kind == "case":
            self._case = happening
        self._write(happening.time, lambda writer: writer.happening(happening))

    def close(self) -> None:
        """The last part is whole."""
        writer, self._writer = self._writer, None
        if writer:
            try:
                writer.close()
            except OSError as error:
                self._fails(error)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def _write(self, time: int, write: Callable[[Writer], None]) -> None:
        if self._writer is None:
            return
        try:
            if self._writer.size() >= self.bound.size:
                self._writer.close()
                self._writer = self._begin(time)
            write(self._writer)
        except (OSError, UsageError) as error:  # of writing, or of beginning a part
            self._fails(error)

    def _begin(self, time: int) -> Writer:
        number = self.dropped + len(self.parts) + 1
        path = self.path if number == 1 else self.path.with_stem(f"{self.path.stem}-{number:04d}")
        if len(self.parts) == self.bound.parts:
            self.parts.pop(0).unlink(missing_ok=True)
            self._starts.pop(0)
            self.dropped += 1
        writer = self._make(path, self.links)
        self.parts.append(path)
        self._starts.append(time)
        self.dropped_until = self._starts[0]
        if self._case:
            writer.happening(Happening(time, self._case.seat, PART, self._case.data | {"number": number}))
        return writer

    def _fails(self, error: OSError | UsageError) -> None:
        self.broken = self.broken or (getattr(error, "strerror", None) or str(error)).lower()
        writer, self._writer = self._writer, None
        try:
            if writer:
                writer.close()
        except OSError:  # the same once more
            pass


class JoinedCapture(Capture):
    """Parts of one recording, in whatever order they were named, as one capture."""

    def __init__(self, parts: list[Capture]):
        self.parts = sorted(parts, key=lambda part: _start(part))
        super().__init__(self.parts[0].path, all(part.has_machine for part in parts))
        self.links = dict(self.parts[0].links)
        for part in self.parts[1:]:
            if list(part.links) != list(self.links):
                raise UsageError(f"{part.path}: other links than in {self.path}, expected parts of one recording")

    def events(self) -> Iterator[Burst | Happening]:
        """Of all parts."""
        self._start_over()
        for part in self.parts:
            start = self.end_of_before
            for event in part.events():
                start = event.start if type(event) is Burst else event.time
                if start < self.end_of_before:
                    raise UsageError(f"{part.path}: begins before an earlier part ends, expected parts of one recording")
                if self._goes_on(part, event):
                    yield event
            self._ended(part, start)

    def happenings(self) -> Iterator[Happening]:
        """Of all parts."""
        for part in self.parts:
            for happening in part.happenings():
                if self._goes_on(part, happening):
                    yield happening

    def _goes_on(self, part: Capture, event: Burst | Happening) -> bool:
        """Not only the words by which a later part begins."""
        return part is self.parts[0] or type(event) is Burst or event.kind != PART

    def _start_over(self) -> None:
        super()._start_over()
        self.end_of_before = 0

    def _ended(self, part: Capture, last: int) -> None:
        self.end, self.cut, self.end_of_before = max(self.end, part.end), self.cut or part.cut, last
        self.notes += [f"{part.path.name}: {note}" for note in part.notes]


def _start(part: Capture) -> int:
    first = next(part.events(), None)
    return 0 if first is None else first.start if type(first) is Burst else first.time
