"""A capture before the rules, case by case, while it is read: memory does not grow with its length.

Up to three ways through the file: for stalls of the bench's own computer (they must be known before
anything is judged), for the judge, and for the drawings of what needs a look.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import chain, islice

from benchsim.captures import Capture
from benchsim.captures.parts import PART
from benchsim.checks.handover_sheet import told_for_it
from benchsim.checks.handover_steps import NAME
from benchsim.checks.result import CaseResult
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_SECOND, TICKS_PER_US, Burst, Happening
from benchsim.judge.stalls import Stalls
from benchsim.reports.exchanges import exchanges, near
from benchsim.schema import Book

ALONE = "capture"  # the name of what a capture holds before or without any case
EPOCH = 100_000_000 * TICKS_PER_SECOND  # later times (1973) count from 1970, not from a start


def judge_capture(
    opened: Capture, book: Book, names: Collection[str] = (), subject: str | None = None
) -> list[CaseResult]:
    """Every case of a capture (only those of `names`, if there are any), judged from its own start.

    `subject`: the only seat to be judged; None: the one or the several that each case names, if it does.

    UsageError where the capture cannot be read, or lacks a case of that name.
    """
    zero = _zero(opened)
    stalls = _stalls(opened, zero)
    results: dict[int, CaseResult] = {}
    for number, events in _cases(opened, opened.events(), zero):
        first = next(events)
        results[number] = result = _result(opened, first, zero)
        result.subject = subject or result.subject
        if not names or result.name in names:
            heard = chain((first,), events, _to_the_end(opened, result, zero))
            result.hear(_kept(result, heard) if result.name == NAME else heard, book, stalls[number])
            seats = None if subject else _told(first).get("seats")
            if seats:
                result.verdicts = [verdict for verdict in result.verdicts if verdict.judged in seats]
    known = [result.name for result in results.values()]
    for name in names:
        if name not in known:
            raise UsageError(f"--case {name}: expected one that the capture has: {', '.join(known)}")
    heard = {at: result for at, result in results.items() if not names or result.name in names}
    _draw(opened, zero, heard)
    return list(heard.values()) or [_empty(opened)]


def _zero(opened: Capture) -> int:
    """From where times count that stand before any case."""
    first = next(opened.events(), None)
    return first[0] if first and first[0] > EPOCH else 0


def _cases(opened: Capture, events: Iterable, zero: int) -> Iterator[tuple[int, Iterator[Burst | Happening]]]:
    """Events by case, each from its case's start. Number 0 is what stands before any case."""
    events, number = iter(events), 0
    begins = list(islice(events, 1))  # the first event of the next case
    while begins:
        first = begins.pop()
        start = zero
        if _begins(first):
            number, start = number + 1, first.time
        told = _of_one_case(first, events, start, begins)
        yield number, told
        for _ in told:
            pass


def _begins(event: Burst | Happening) -> bool:
    return type(event) is Happening and event.kind == "case"


def _of_one_case(first: Burst | Happening, events: Iterator, start: int, begins: list) -> Iterator[Burst | Happening]:
    """The events of one case; what the next one begins with is handed back."""
    make = tuple.__new__
    for event in chain((first,), events):
        if type(event) is Burst:
            yield make(Burst, (event[0] - start, event[1] - start, *event[2:])) if start else event
        elif event is not first and _begins(event):
            begins.append(event)
            return
        else:
            yield event._replace(time=event.time - start)


def _told(first: Burst | Happening) -> dict:
    """What a case says of itself when it begins."""
    return first.data if type(first) is Happening and first.kind in ("case", PART) else {}


def _result(opened: Capture, first: Burst | Happening, zero: int) -> CaseResult:
    told = _told(first)
    result = CaseResult(told.get("name") or ALONE, told.get("provokes", "Recorded traffic"), told.get("subject"))
    result.links = [info for info in opened.links.values() if info.name in told.get("links", opened.links)]
    result.reasons = dict(told.get("reasons", {}))
    if zero and not told:
        began = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=zero // TICKS_PER_US)
        result.notes.append(f"times count from the first packet, {began:%Y-%m-%d %H:%M:%S.%f} UTC")
    return result


def _empty(opened: Capture) -> CaseResult:
    result = CaseResult(ALONE, "Recorded traffic", None, links=list(opened.links.values()))
    result.notes.append("the capture holds no word at all")
    return result


def _kept(result: CaseResult, events: Iterable) -> Iterator[Burst | Happening]:
    """All events; what the sheet of a commissioning is made from stays with the result."""
    for event in events:
        if told_for_it(event):
            result.events.append(event)
        yield event


def _to_the_end(opened: Capture, result: CaseResult, zero: int) -> Iterator[Burst | Happening]:
    """Nothing, after all events. Where only wires were recorded, what follows the last word was heard too: silence."""
    if not opened.has_machine:
        result.end = opened.end - zero
    yield from ()


def _stalls(opened: Capture, zero: int) -> defaultdict[int, Stalls]:
    """By case. Only where times are in doubt can a stall have moved one."""
    found: defaultdict[int, Stalls] = defaultdict(lambda: Stalls(()))
    if any(link.uncertainty for link in opened.links.values()):
        for number, happenings in _cases(opened, opened.happenings(), zero):
            found[number] = Stalls(happenings)
    return found


def _draw(opened: Capture, zero: int, results: dict[int, CaseResult]) -> None:
    """What was said around the evidence: read once more, as it was not kept, as far as there is any."""
    told = {number: [verdict.as_json() for verdict in result.verdicts] for number, result in results.items()}
    wanted = [number for number, verdicts in told.items() if near(verdicts)]
    if not wanted:
        return
    known = list(opened.notes), opened.cut, opened.end
    for number, events in _cases(opened, opened.events(), zero):
        if number in wanted:
            results[number].exchanges = exchanges(results[number].name, events, told[number])
        if number >= wanted[-1]:
            break
    opened.notes, opened.cut, opened.end = known
