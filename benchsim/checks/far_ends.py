"""A link that was cut is recorded at the asking side's end: what reached the others is not known."""

from collections.abc import Iterable

from benchsim.checks.result import CaseResult
from benchsim.faults import Fault
from benchsim.judge import all_rules
from benchsim.schema import Book


def excuse(result: CaseResult, faults: Iterable[Fault], book: Book) -> None:
    """None of those at the far end of a cut link is accused by what was recorded at the other."""
    links_of = {one.id: one.link for one in all_rules()}
    cut = [fault for fault in faults if fault.card.mechanism.one_ended]
    for link in dict.fromkeys(need for fault in cut for need in fault.needs if need in book.links):
        asks = book.links[link].asks
        why = f"the {link} link was cut in this run, and what reached the other end is not recorded"
        result.verdicts = [
            v._replace(outcome="unseen", why=why)
            if links_of[v.rule] == link and v.judged != asks and v.outcome in ("fail", "unsure", "warn") else v
            for v in result.verdicts
        ]  # fmt: skip
