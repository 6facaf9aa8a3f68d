"""Observables of a capture: from a visit all of them, from any other recording those that need no visit."""

from benchsim.bench import START_UTC
from benchsim.captures import Capture
from benchsim.events import Burst
from benchsim.judge import Judge
from benchsim.judge.stalls import Stalls
from benchsim.live.visit import KIND
from benchsim.schema import Book
from benchsim.settings import Settings
from benchsim.sweeps.observe import Observer

# Values that only say that nobody tried: outside a visit they are no evidence.
NOT_TRIED = ("no", "0", "none", "nothing", "never", "never told", "none told", "not read")
TRIED_BY_ITSELF = ("kit", "bus", "panel", "rule")  # looks whose values need nobody's acts
_BY_ACTS = {"kit.owed", "kit.starts", "kit.link-lost", "kit.vend-place", "panel.held", "panel.reports", "panel.starts"}


def seen_in(capture: Capture, book: Book, settings: Settings) -> tuple[dict[str, str], bool]:
    """(observables, was it a whole visit?). UsageError where the capture cannot be read."""
    judge = Judge(list(capture.links.values()), book, stalls=Stalls(capture.happenings()))
    observer = Observer(judge, settings, START_UTC)
    visit, last, start = False, 0, None
    for event in capture.events():
        if type(event) is Burst:
            start = event.start if start is None else start
            event = event._replace(start=event.start - start, end=event.end - start)
            last = max(last, event.end)
            judge.burst(event)
        else:
            start = event.time if start is None else start
            visit = visit or event.kind == KIND
            event = event._replace(time=event.time - start)
            last = max(last, event.time)
            judge.happening(event)
    judge.close(last)
    seen = observer.seen()
    return (seen if visit else {name: value for name, value in seen.items() if _counts(name, value)}), visit


def _counts(name: str, value: str) -> bool:
    """Is it evidence where nobody may have done anything?"""
    by_itself = name.partition(".")[0] in TRIED_BY_ITSELF and name not in _BY_ACTS
    return by_itself or value not in NOT_TRIED
