"""One capture of all cases of a run."""

from benchsim.captures import open_capture
from benchsim.checks.capture import BETWEEN, write_capture
from benchsim.checks.result import CaseResult
from benchsim.events import Happening, LinkInfo


def test_a_case_is_marked_before_all_that_was_told_of_it(tmp_path):
    """On a busy computer a stall is told before the case that it hit has begun."""
    events = [
        Happening(9, "bench", "late", {"us": 20_000}),
        Happening(12, "bench", "case", {"name": "one", "provokes": "nothing", "subject": None}),
        Happening(12, "board", "power", {"on": True, "cause": 0}),
    ]
    results = [CaseResult(name, "nothing", None, [LinkInfo("kit", "host", 6_250)], list(events), 100) for name in ("one", "two")]
    write_capture(tmp_path / "c.pcapng", results)
    read = [(event.time, event.kind) for event in open_capture(tmp_path / "c.pcapng").events()]
    case = [(0, "case"), (9, "late"), (12, "power")]
    assert read == case + [(time + 100 + BETWEEN, kind) for time, kind in case]
