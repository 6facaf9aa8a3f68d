"""All that a report is made from.

`Record.document` is the JSON document that the command line promises; the rest is what a reader wants
beside it. Wall-clock times and output paths have no place here: a report of the same bench file and
seed must be the same bytes wherever it was made.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

# Whose samples or drawn exchange: case (None: the whole run), rule, judged seat.
Key = tuple[str | None, str, str]


@dataclass(frozen=True)
class CaseNote:
    """One case of a run, as told to people."""

    name: str
    provokes: str  # one sentence: what the bench did to the seat under test
    subject: str | None
    duration_s: float  # bench time, seconds
    replay: str  # the command that runs this case again
    notes: Sequence[str] = ()


class Stretch(NamedTuple):
    """A stretch of time on one lane of a drawn exchange: a word, usually."""

    lane: str  # who was talking
    start_s: float
    end_s: float
    label: str  # what was said, short ("10B*", "7E")


class Limit(NamedTuple):
    """The time that a rule allows, where it began to count and where it ran out."""

    start_s: float
    end_s: float
    label: str  # "answer within 5 ms"
    wait: bool = False  # a time to be waited out, not one to be kept within


@dataclass(frozen=True)
class Exchange:
    """A question and what came of it, to be drawn. Times are bench seconds."""

    stretches: Sequence[Stretch]
    limit: Limit | None = None
    title: str = ""


class HandoverStep(NamedTuple):
    """One step of a commissioning. `outcome` as of a rule; "unseen": this machine has no parts for it."""

    turn: int  # 1 as it was found, 2 after mains off and on
    title: str
    outcome: str
    found: str
    rules: tuple[str, ...]


class Handover(NamedTuple):
    """A machine that was commissioned. `grid`: prices by row and column, None: not for sale."""

    steps: list[HandoverStep]
    grid: list[list[int | None]]
    setpoint: str
    real: bool  # something real sat on a seat


@dataclass
class Record:
    """One finished run. See the module's docstring for what must stay out."""

    document: dict
    cases: list[CaseNote] = field(default_factory=list)
    samples: dict[Key, list[float]] = field(default_factory=dict)  # measured values, in the limit's unit
    about: dict[str, str] = field(default_factory=dict)  # versions, links, who sat where
    bench_text: str = ""
    captures: list[str] = field(default_factory=list)  # file names beside the report, no folders
    how: dict[str, str] = field(default_factory=dict)  # link: how it was measured, how to measure better
    rule_text: dict[str, str] = field(default_factory=dict)  # rule: its statement
    replay: str = ""  # the command that runs all of it again
    exchanges: dict[Key, Exchange] = field(default_factory=dict)
    handover: Handover | None = None  # where a machine was commissioned
