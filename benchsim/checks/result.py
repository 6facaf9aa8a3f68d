"""What a case leaves behind, and how all cases become one record."""

from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version

from benchsim.events import Burst, Happening, LinkInfo, seconds
from benchsim.judge import Judge, Verdict, all_rules
from benchsim.judge.stalls import Stalls
from benchsim.reports.exchanges import exchanges
from benchsim.reports.record import CaseNote, Record
from benchsim.schema import Book


@dataclass
class CaseResult:
    """One case, played and judged."""

    name: str
    provokes: str
    subject: str | None
    links: list[LinkInfo] = field(default_factory=list)
    events: list[Burst | Happening] = field(default_factory=list)
    end: int = 0
    verdicts: list[Verdict] = field(default_factory=list)
    samples: dict = field(default_factory=dict)
    frames: int = 0
    notes: list[str] = field(default_factory=list)

    # A listener: the case's events are kept, and judged when it is over and its doubt is known.
    def burst(self, burst: Burst) -> None:
        """Keep a burst."""
        self.events.append(burst)

    def happening(self, happening: Happening) -> None:
        """Keep a happening."""
        self.events.append(happening)

    def judge(self, book: Book, reasons: dict[str, str] | None = None) -> None:
        """Put everything that happened before the rules."""
        judge = Judge(self.links, book, self.name, self.subject, reasons, stalls=Stalls(self.events))
        for event in self.events:
            (judge.burst if type(event) is Burst else judge.happening)(event)
        judge.close(self.end)
        self.verdicts, self.samples, self.frames = judge.verdicts(), judge.samples(), judge.frames


def tool_version() -> str:
    """Version of the installed package."""
    try:
        return version("benchsim")
    except PackageNotFoundError:
        return "0"


def make_record(
    results: list[CaseResult],
    subject: str | None,
    seed: int,
    selftest: list[dict] | None,
    replay: str,
    bench_text: str = "",
    about: dict[str, str] | None = None,
) -> Record:
    """All cases as the record that every form of report is made from."""
    verdicts = [v.as_json() for r in results for v in r.verdicts]
    count = {o: sum(v["outcome"] == o for v in verdicts) for o in ("pass", "fail", "unsure", "unseen", "warn")}
    document = {
        "tool": {"name": "benchsim", "version": tool_version()},
        "subject": subject,
        "seed": seed,
        "duration_s": seconds(sum(r.end for r in results)),
        "frames": sum(r.frames for r in results),
        "verdicts": verdicts,
        "selftest": selftest,
        "summary": count,
        "outcome": _outcome(count, selftest),
    }
    return Record(
        document=document,
        cases=[
            CaseNote(r.name, r.provokes, r.subject, seconds(r.end), f"{replay} --case {r.name}", tuple(r.notes))
            for r in results
        ],
        samples={(r.name, *key): values for r in results for key, values in r.samples.items()},
        about={"benchsim": tool_version()} | (about or {}),
        bench_text=bench_text,
        how={
            info.name: f"times are good to {seconds(info.uncertainty) * 1000:.3g} ms; {info.note}".rstrip("; ")
            for r in results[:1]
            for info in r.links
        },
        rule_text={one.id: one.statement for one in all_rules()},
        replay=replay,
        exchanges={
            key: drawn
            for r in results
            for key, drawn in exchanges(r.name, r.events, [v.as_json() for v in r.verdicts]).items()
        },
    )


def _outcome(count: dict[str, int], selftest: list[dict] | None) -> str:
    if count["fail"] or any(not row["caught"] for row in selftest or ()):
        return "fail"
    return "unsure" if count["unsure"] or not count["pass"] + count["warn"] else "pass"


EXIT = {"pass": 0, "fail": 1, "unsure": 3}
