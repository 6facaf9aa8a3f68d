"""What every capture format shares: the links' nominal facts, nanoseconds, and a capture as a reader sees it.

A format has a reader (a `Capture`) and a writer (a `Writer`), and what both must agree on stands once,
in the format's own module. All of them stream: memory does not grow with the length of a capture.
"""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import BinaryIO, NamedTuple, Self

from benchsim.errors import UsageError
from benchsim.events import Burst, Happening, LinkInfo

MACHINE = "machine"  # the interface that is no link: what happened off the links


class Nominal(NamedTuple):
    """What a link is by its name, where a capture does not say otherwise."""

    word: int  # ticks
    asking: str  # seat that speaks on the out conductor
    answering: str  # seat that speaks on the in conductor, "" where several share it
    bits: int  # data bits a word


NOMINAL = {  # MDB/ICP 4.3 §2; EVA DTS 6.1 (DEX/UCS); kit link reference
    "bus": Nominal(word=82_500, asking="board", answering="", bits=9),  # 11 bits at 9600 baud
    "kit": Nominal(word=6_250, asking="host", answering="board", bits=8),  # 10 bits at 115,200 baud
    "panel": Nominal(word=75_000, asking="host", answering="panel", bits=8),  # 10 bits at 9600 baud
    "audit": Nominal(word=75_000, asking="auditor", answering="board", bits=8),  # 10 bits at 9600 baud
}


def ns_of(ticks: int) -> int:
    """Ticks to the nearest nanosecond, exact at any size; `ticks_of` leads back to the same tick."""
    return (ticks * 250 + 9) // 18


def ticks_of(ns: int) -> int:
    """Nanoseconds to the nearest tick (1/72 us)."""
    return (ns * 18 + 125) // 250


def default_sender(link: LinkInfo, out: bool) -> str:
    """Who speaks on this conductor if the capture does not say: "" where several seats could."""
    if out:
        return link.out
    nominal = NOMINAL.get(link.name)
    return nominal.answering if nominal else ""


def pairs_of(link: LinkInfo) -> dict[str, str]:
    """What a capture's comment says of a link. Defaults are left out, so that it stays short."""
    pairs = {"sender-out": link.out, "uncertainty_ns": str(ns_of(link.uncertainty))}
    if link.edges:
        pairs["edges"] = "1"
    if link.chunks:
        pairs["chunks"] = "1"
    if link.deaf:
        pairs["deaf"] = link.deaf
    if link.name not in NOMINAL or NOMINAL[link.name].word != link.word:
        pairs["word_ticks"] = str(link.word)
    return pairs


def link_of(name: str, pairs: Mapping[str, str]) -> LinkInfo:
    """The link that `pairs_of` described. Raises ValueError with what was expected."""
    nominal = NOMINAL.get(name, Nominal(0, "", "", 8))
    word = whole_number(pairs, "word_ticks", nominal.word)
    if not word:
        raise ValueError(f"link {name!r}, expected {', '.join(NOMINAL)} or a comment with word_ticks=N")
    return LinkInfo(
        name=name,
        out=pairs.get("sender-out", nominal.asking),
        word=word,
        uncertainty=ticks_of(whole_number(pairs, "uncertainty_ns", 0)),
        edges=pairs.get("edges") == "1",
        chunks=pairs.get("chunks") == "1",
        note=pairs.get("note", ""),
        deaf=pairs.get("deaf", "") if pairs.get("deaf") in ("out", "in") else "",
    )


def whole_number(pairs: Mapping[str, str], key: str, missing: int) -> int:
    """The number under a key. Raises ValueError with what was expected."""
    text = pairs.get(key, str(missing))
    if not (text.isascii() and text.isdigit() and len(text) < 20):
        raise ValueError(f"{key}={text}, expected a whole number")
    return int(text)


def written(pairs: Mapping[str, str]) -> str:
    """As `key=value;key=value`."""
    return ";".join(f"{key}={value}" for key, value in pairs.items())


def parsed(text: str) -> dict[str, str]:
    """What `written` wrote. A note comes last and may hold anything."""
    front, _, note = text.partition("note=")
    pairs = dict(pair.split("=", 1) for pair in front.split(";") if "=" in pair)
    return pairs | {"note": note} if note else pairs


def open_bytes(path: Path) -> BinaryIO:
    """Open for reading. Anything in the way is the user's to mend: UsageError."""
    try:
        return open(path, "rb")
    except OSError as error:
        reason = (error.strerror or "unreadable").lower()
        raise UsageError(f"{path}: {reason}, expected a readable capture") from None


def create_bytes(path: Path) -> BinaryIO:
    """Open for writing. Anything in the way is the user's to mend: UsageError."""
    try:
        return open(path, "wb", buffering=1 << 18)
    except OSError as error:
        reason = (error.strerror or "cannot be written").lower()
        raise UsageError(f"{path}: {reason}, expected a writable place") from None


class Capture:
    """A recorded run. Iterate `events()` to its end, then `end`, `notes` and `cut` are complete.

    `events()` may be called again; it then reads from the start. Raises UsageError, on opening or
    while iterating, at the first thing that no whole recording would hold.
    """

    def __init__(self, path: Path, has_machine: bool = False):
        self.path = path
        self.links: dict[str, LinkInfo] = {}
        self.has_machine = has_machine  # False: what happened off the links was not recorded
        self._start_over()

    def _start_over(self) -> None:
        self.notes: list[str] = []  # what was dropped or is in doubt
        self.end = 0  # ticks, the last time seen
        self.cut = False  # the recording stopped in the middle of something

    def bad(self, place: str, expected: str) -> UsageError:
        """The error for something at `place` that should have been `expected`."""
        return UsageError(f"{self.path}:{place}: {expected}")

    def events(self) -> Iterator[Burst | Happening]:
        raise NotImplementedError

    def happenings(self) -> Iterator[Happening]:
        """Only what happened off the links, for who must know of it beforehand."""
        return iter(())


class Writer:
    """A listener that records. Events come in order of their start; `close` or leave the context."""

    def __init__(self, path: Path, links: list[LinkInfo]):
        self.links = {link.name: link for link in links}
        self._file = create_bytes(path)
        self._now = 0

    def _in_order(self, time: int) -> None:
        if time < self._now:
            raise ValueError(f"event at tick {time} handed to a capture after one at tick {self._now}")
        self._now = time

    def burst(self, burst: Burst) -> None:
        raise NotImplementedError

    def happening(self, happening: Happening) -> None:
        """Formats that hold words only leave what happens off the links out."""

    def size(self) -> int:
        """Bytes recorded so far."""
        return self._file.tell()

    def flush(self) -> None:
        """Hand all that is known so far to the operating system."""
        self._file.flush()

    def close(self) -> None:
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc) -> None:
        self.close()
