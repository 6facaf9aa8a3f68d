"""What a failed test shows of its bench: broken rules with their evidence, what was said last, how to see it again."""

import io
import shlex
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from benchsim.bench import SIDES
from benchsim.checks.capture import write_capture
from benchsim.checks.result import make_record
from benchsim.events import Burst, seconds
from benchsim.judge import Verdict
from benchsim.reports.decoded import decoded
from benchsim.reports.junit import short
from benchsim.reports.terminal import print_needed
from benchsim.reports.words import moment
from benchsim.testing.own_bench import OwnBench

LAST = 16  # frames shown
LOOKED_AT = 1000  # bursts in which they are looked for
WIDTH = 100


def one_line(verdict: Verdict) -> str:
    """A failed verdict for a test's own message: rule, seat, figures, and the first frame that shows it."""
    told = verdict.as_json()
    place = f"; {moment(told['at'][0])}: {told['at'][0]['text']}" if told["at"] else ""
    return f"{verdict.rule} at {verdict.judged}: {short(told).removeprefix('fail: ')}{place}"


def report(bench: OwnBench, replay: str, capture: Path | None) -> str:
    """The whole section. `replay`: the line that runs the test again."""
    record = make_record([bench.result], bench.subject, bench.seed, None, replay)
    record.cases = [replace(note, replay="") for note in record.cases]
    record.replay = ""
    out = io.StringIO()
    console = Console(file=out, width=WIDTH, no_color=True, color_system=None, highlight=False)
    print_needed(console, record)
    parts = ["\n".join(line.rstrip() for line in out.getvalue().strip().splitlines())]
    parts += [f"note: {note}" for note in bench.result.notes]
    parts += [f"{name}: {words}" for name, words in record.about.items()]
    parts += ["said last:", *last_said(bench)] if bench.kept else ["what was said was not kept: quiet time is leapt over here"]
    parts += [f"faults: {', '.join(fault.text for fault in bench.faults)}"] if bench.faults else []
    parts += [f"again: {replay}"]
    if capture:
        parts += [f"capture: {capture}", f"  look: benchsim decode {shlex.quote(str(capture))}"]
    return "\n".join(filter(None, parts))


def last_said(bench: OwnBench) -> list[str]:
    """The last frames on the links of the user's own seats; on all links where there is no such seat."""
    links = [link for link, there in SIDES.items() if not bench.seats or bench.real.intersection(there)]
    events = [event for event in bench.result.events if type(event) is Burst and event.link in links][-LOOKED_AT:]
    lines = [f"{seconds(start):12.6f} s  {link:<6}{who:<10} {text}" for start, link, who, text in decoded(events, bench.book)]
    return lines[-LAST:] or ["   nothing at all"]


def save(bench: OwnBench, path: Path) -> Path:
    """Write the bench's capture."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_capture(path, [bench.result])
    return path
