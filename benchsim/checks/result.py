"""What a case leaves behind, and how all cases become one record."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version

from benchsim.events import Burst, Happening, LinkInfo, seconds
from benchsim.judge import Judge, Verdict, all_rules
from benchsim.judge.identity import identities
from benchsim.judge.rounds import Rounds
from benchsim.judge.stalls import Stalls
from benchsim.reports import measuring
from benchsim.reports.exchanges import exchanges
from benchsim.reports.record import CaseNote, Record
from benchsim.reports.words import OUTLIVED
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
    left_out: str = ""  # why it was not even played
    notes: list[str] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)  # rule -> why it could not be measured here
    identities: dict[str, str] = field(default_factory=dict)  # seat -> what it said of itself
    exchanges: dict = field(default_factory=dict)  # drawings of what needs a look

    # A listener: the case's events are kept, and judged when it is over and its doubt is known.
    def burst(self, burst: Burst) -> None:
        """Keep a burst."""
        self.events.append(burst)

    def happening(self, happening: Happening) -> None:
        """Keep a happening."""
        self.events.append(happening)

    def judge(self, book: Book, rules: tuple[str, ...] | None = None) -> None:
        """Put everything that happened before the rules (all, or the named ones)."""
        self.hear(self.events, book, Stalls(self.events), rules)
        self.exchanges = exchanges(self.name, self.events, [v.as_json() for v in self.verdicts])

    def hear(self, events: Iterable, book: Book, stalls: Stalls, rules: tuple[str, ...] | None = None) -> None:
        """The same with events that come from elsewhere and are not kept."""
        judge = Judge(self.links, book, self.name, self.subject, self.reasons, rules, stalls)
        self.identities = identities(judge)
        rounds, last = Rounds(judge), 0
        bursts, happening = rounds.bursts, rounds.happening
        for event in events:
            if type(event) is Burst:
                if event[1] > last:
                    last = event[1]
                bursts[event[2]](event)
            else:
                last = max(last, event.time)
                happening(event)
        self.end = max(self.end, last)
        rounds.close(self.end)
        self.judged_by(judge)

    def judged_by(self, judge: Judge) -> None:
        """What a judge that has heard all of it has found."""
        self.verdicts, self.samples, self.frames = judge.verdicts(), judge.samples(), judge.frames


def tool_version() -> str:
    """Version of the installed package."""
    try:
        return version("benchsim")
    except PackageNotFoundError:
        return "0"


def case_note(result: CaseResult, replay: str, title: str = "") -> CaseNote:
    """What a reader should know of a case beside its verdicts. `title`: in place of its name."""
    seat = f" --test {result.subject}" if result.subject and "--test" not in replay else ""
    again = f"{replay}{seat} --case {result.name}"
    return CaseNote(title or result.name, result.provokes, result.subject, seconds(result.end), again, tuple(result.notes))


def make_record(
    results: list[CaseResult],
    subject: str | None,
    seed: int,
    selftest: list[dict] | None,
    replay: str,
    bench_text: str = "",
    about: dict[str, str] | None = None,
    legal: list[dict] | None = None,
    waivers: list[dict] | None = None,
    golden: list[dict] | None = None,
) -> Record:
    """All cases as the record that every form of report is made from. `selftest`, `legal`: tables of the self-test;
    `waivers`: what came of each (`checks.waivers`); `golden`: differences from a saved run (`checks.golden`).
    """
    titles = _titles(results)
    verdicts = [
        told | {"case": title if told["case"] == r.name else told["case"]}
        for r, title in zip(results, titles, strict=True)
        for told in (v.as_json() for v in r.verdicts)
    ]
    count = {o: sum(v["outcome"] == o for v in verdicts) for o in ("pass", "fail", "unsure", "unseen", "warn")}
    links = _links(results)
    about = _identities(results, subject) | _stalls(results) | (about or {})
    document = {
        "tool": {"name": "benchsim", "version": tool_version()},
        "subject": subject,
        "seed": seed,
        "duration_s": seconds(sum(r.end for r in results)),
        "frames": sum(r.frames for r in results),
        "verdicts": verdicts,
        "selftest": selftest,
        "legal": legal,
        "waivers": waivers,
        "golden": golden,
        "about": about,
        "links": [measuring.as_json(info) for info in links],
        "summary": count,
        "outcome": _outcome(count, selftest, legal, waivers, golden),
    }
    return Record(
        document=document,
        cases=[case_note(r, replay, title) for r, title in zip(results, titles, strict=True)],
        samples={(title, *key): values for r, title in zip(results, titles, strict=True) for key, values in r.samples.items()},
        about=about,
        bench_text=bench_text,
        how={info.name: measuring.in_words(info) for info in links},
        rule_text={one.id: one.statement for one in all_rules()},
        replay=replay,
        exchanges={
            (title, *key[1:]): drawn for r, title in zip(results, titles, strict=True) for key, drawn in r.exchanges.items()
        },
    )


def _titles(results: list[CaseResult]) -> list[str]:
    """Names of the cases; where plans for several seats have a case of one name, with the seat."""
    often = Counter(r.name for r in results)
    return [f"{r.subject} {r.name}" if often[r.name] > 1 and r.subject else r.name for r in results]


def _links(results: list[CaseResult]) -> list[LinkInfo]:
    """Every link that was heard, at its most doubtful."""
    found: dict[str, LinkInfo] = {}
    for info in (info for result in results for info in result.links):
        if info.name not in found or info.uncertainty > found[info.name].uncertainty:
            found[info.name] = info
    return list(found.values())


def _identities(results: list[CaseResult], subject: str | None) -> dict[str, str]:
    """What the subject, or with none every party, said of itself; the user's own words come on top."""
    told = {seat: words for result in results for seat, words in result.identities.items()}
    return {seat: told[seat] for seat in sorted(told) if subject in (None, seat)}


def _stalls(results: list[CaseResult]) -> dict[str, str]:
    """How far this computer was fit to measure, where time was real and it was not always."""
    late = [e.data["us"] for r in results for e in r.events if type(e) is Happening and e.kind == "late"]
    if not late:
        return {}
    return {"stalls of this computer": f"{len(late)}, {max(late) / 1000:.1f} ms at worst; no time across one is counted"}


def _outcome(count: dict[str, int], selftest: list[dict] | None, legal: list[dict] | None,
             waivers: list[dict] | None, golden: list[dict] | None) -> str:  # fmt: skip
    wrong = any(not row["caught"] for row in selftest or ()) or any(row["failed"] for row in legal or ())
    outlived = any(row["state"] in OUTLIVED for row in waivers or ())
    if count["fail"] or wrong or outlived or any(row["sure"] for row in golden or ()):
        return "fail"
    return "unsure" if count["unsure"] or golden or not count["pass"] + count["warn"] else "pass"


EXIT = {"pass": 0, "fail": 1, "unsure": 3}
