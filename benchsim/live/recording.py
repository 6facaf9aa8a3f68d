"""What one trace of a live bench leaves: captures, what is shown of it, and verdicts.

A bench has one trace, or one for each side of a tap: there every real party is judged by what was heard at its own
end. All is written to a capture as it happens, and judged from there at the end: a run may be long.
"""

from contextlib import ExitStack
from pathlib import Path

from benchsim.captures import Bound, PartsWriter, open_parts, write_parts
from benchsim.checks.recorded import judge_capture
from benchsim.checks.result import CaseResult
from benchsim.events import LinkInfo, seconds
from benchsim.judge import Verdict, all_rules
from benchsim.lines import Trace
from benchsim.live.ports import Outages
from benchsim.live.watch import Watch
from benchsim.schema import Book

NAME, PROVOKES = "live", "A live bench: what people and programs did"
BOUND = Bound(64 << 20, 16)  # of each capture, if nothing else is said: a gigabyte


class Recording:
    """Of `trace`, into `files`, the first of which is judged. `seats`: the real ones there, judged alone if there are any.

    `end`: whose end of a tap it is, "" for the whole bench.
    """

    def __init__(self, clock, trace: Trace, links: list[LinkInfo], book: Book, seats: frozenset[str], files: list[Path],
                 told, end: str = "", bound: Bound = BOUND):  # fmt: skip
        self.trace, self.links, self.book, self.files, self.seats, self.end = trace, links, book, files, seats, end
        self.subject = next(iter(seats)) if len(seats) == 1 else None
        self.watch = Watch(links, book, self.subject, told, seats)
        self.gone, self.bound = Outages(clock, trace), bound
        self.writers: list[PartsWriter] = []

    def begin(self, after: ExitStack, reasons: dict) -> None:
        """Listen from now on. `reasons`: {rule: why it cannot be measured}."""
        self.writers = [after.enter_context(write_parts(path, self.links, self.bound)) for path in self.files]
        self.trace.listeners += [*self.writers, self.watch, self.gone]
        told = {"reasons": reasons} if reasons else {}
        if not self.seats:
            told["played"] = True  # every party, by this computer
        elif self.subject is None:
            told["seats"] = sorted(self.seats)
        name = f"{NAME}-{self.end}" if self.end else NAME
        self.trace.happening("bench", "case", name=name, provokes=PROVOKES, subject=self.subject, **told)
        after.callback(self.trace.close)

    def judged(self) -> CaseResult:
        """Everything before the rules, as it was recorded."""
        writer = self.writers[0]
        (result,) = judge_capture(open_parts(writer.parts), self.book)
        self._add_dropped(result, writer)
        result.notes += [f"{one.path.name}: recording ended early: {one.broken}" for one in self.writers if one.broken]
        outages, rules = self.gone.words(), {one.id: one for one in all_rules()}
        result.notes += [words for _, words in outages]
        for link, words in outages:
            result.verdicts = [
                v._replace(why=words) if v.outcome == "unseen" and rules[v.rule].link == link else v
                for v in result.verdicts
            ]
        return result

    def _add_dropped(self, result: CaseResult, writer: PartsWriter) -> None:
        """What was judged as it went, where the parts that are left do not show it."""
        if not writer.dropped:
            return
        result.notes.append(
            f"what was recorded up to {seconds(writer.dropped_until):.1f} s was dropped ({writer.dropped} parts, at most "
            f"{writer.bound.parts} of {writer.bound.size / 1e6:g} MB are kept) and judged as it went"
        )
        found = {(verdict.rule, verdict.judged): number for number, verdict in enumerate(result.verdicts)}
        for (rule, seat), outcome in self.watch.judge.outcomes().items():
            number = found.get((rule, seat))
            now = result.verdicts[number].outcome if number is not None else "unseen"
            if now != "fail" and outcome in ("fail", "warn") or now == "unseen":
                earlier = self._as_it_went(rule, seat, result)
                if number is None:
                    result.verdicts.append(earlier)
                else:
                    result.verdicts[number] = earlier

    def _as_it_went(self, rule: str, seat: str, result: CaseResult) -> Verdict:
        """A time that was measured before later stalls were known is no proof."""
        verdict = self.watch.judge.verdict(rule, seat)._replace(case=result.name)
        if verdict.outcome == "fail" and verdict.uncertainty:
            verdict = verdict._replace(outcome="unsure")
            result.notes.append(f"{rule} at {seat} failed as it went, and its record was dropped")
        return verdict
