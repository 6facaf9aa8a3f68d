"""What a run tells of itself: a live bench each second, a check case by case, anything by its progress."""

import signal
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from benchsim.checks.result import CaseResult, tool_version
from benchsim.events import FRAMING, Burst, seconds
from benchsim.feeds.feed import Feed
from benchsim.judge import Verdict, all_rules
from benchsim.live.orders import Orders
from benchsim.live.recording import NAME
from benchsim.live.session import Session
from benchsim.reports.document import verdict_document
from benchsim.settings import Settings

PLACES = 3  # digits of a time in seconds
Case = tuple[str, str | None]  # its name, the seat under test


class Telling:
    """Turns what happened into messages. Verdicts are counted as they are told."""

    def __init__(self, feed: Feed, doing: str, settings: Settings, seed: int, subject: str | None):
        self.feed = feed
        self.standing: Counter[str] = Counter()
        self._stop = self.over = False
        self._says = {one.id: one.statement for one in all_rules()}
        self._status = {
            "doing": doing, "title": settings.title, "subject": subject, "seed": seed, "version": tool_version(),
            "commands": feed.commands,
        }  # fmt: skip
        self._tell_status("running", None, False)

    def ended(self, outcome: str | None, stopped: bool) -> None:
        """It is over; `outcome` None: without a result."""
        self.over = True
        self._tell_status("ended", outcome, stopped)

    def step(self, done: int, total: int, unit: str, at: str = "") -> None:
        """So many cases, variants or runs are done. A command to stop is obeyed here, as Ctrl-C is."""
        self.progress(done, total, unit, at)
        self.hear(self._only_stop, None)
        if self._stop:
            signal.raise_signal(signal.SIGINT)

    def progress(self, done: float, total: float | None, unit: str, at: str) -> None:
        """How far it is."""
        self.feed.say("progress", done=done, total=total, unit=unit, at=at, standing=dict(self.standing))

    def hear(self, obey: Callable[[dict], tuple[bool, str]], time_s: float | None) -> None:
        """What came back from the broker. `obey` gives whether it was done, and words."""
        for order in self.feed.heard():
            done, says = (False, order["wrong"]) if "wrong" in order else obey(order)
            self.feed.say("answer", time_s=time_s, id=order.get("id"), done=done, says=says)

    def case(self, result: CaseResult) -> None:
        """A case was played, and perhaps judged."""
        words, wrong = Counter(), Counter()
        for event in result.events:
            if type(event) is Burst:
                words[event.link] += len(event.words)
                wrong[event.link] += sum(word & FRAMING != 0 for word in event.words)
        time_s = round(seconds(result.end), PLACES)
        links = {
            info.name: {"words": words[info.name], "rate": round(words[info.name] / (time_s or 1), 1), "wrong": wrong[info.name]}
            for info in result.links
        }  # fmt: skip
        stalls = sum(e.data["us"] for e in result.events if type(e) is not Burst and e.kind == "late") / 1000
        self.feed.say("links", time_s=time_s, case=result.name, subject=result.subject, links=links, stalls_ms=stalls)
        if result.verdicts:
            self.judged(result)

    def judged(self, result: CaseResult) -> None:
        """The final verdicts of a case."""
        self.standing.update(verdict.outcome for verdict in result.verdicts)
        self.verdicts((result.name, result.subject), seconds(result.end), result.verdicts, final=True)
        self.broken((result.name, result.subject), seconds(result.end), result.verdicts)

    def verdicts(self, case: Case, time_s: float, verdicts: Iterable[Verdict], final: bool) -> None:
        """New ones, or such as came out otherwise."""
        told = [verdict_document(verdict.as_json()) for verdict in verdicts if verdict.outcome != "unseen"]
        self.feed.say("verdicts", **_at(case, time_s), final=final, verdicts=told)

    def broken(self, case: Case, time_s: float, verdicts: Iterable[Verdict]) -> None:
        """A word of its own for each that failed."""
        for told in (verdict_document(verdict.as_json()) for verdict in verdicts if verdict.outcome == "fail"):
            own = {key: told[key] for key in ("rule", "judged", "worst", "limit", "unit")}
            at = told["at"][0] if told["at"] else None
            self.feed.say("broken", **_at(case, time_s), **own, says=self._says[told["rule"]], at=at)

    def _only_stop(self, order: dict) -> tuple[bool, str]:
        self._stop |= order["do"] == "stop"
        return order["do"] == "stop", "it stops" if order["do"] == "stop" else "only a live bench can do that"

    def looks(self, beside: bool) -> "list[Onlooker]":
        """Who looks at a live bench; see there."""
        return [Onlooker(self, beside)]

    def _tell_status(self, state: str, outcome: str | None, stopped: bool) -> None:
        self.feed.say("status", state=state, outcome=outcome, stopped=stopped, missed=0, **self._status)


class Onlooker:
    """Looks at a live bench for a feed (see `Session`), and brings it the commands that come back.

    `beside`: words about the feed have no place on the terminal, so they stand among the bench's own.
    """

    def __init__(self, telling: Telling, beside: bool):
        self.telling, self.feed, self._beside = telling, telling.feed, beside
        self._seats: dict[str, str] = {}
        self._outcomes: dict[tuple[str, str], str] = {}

    @contextmanager
    def on(self, session: Session) -> Iterator[None]:
        """While the bench runs."""
        self._case, self._orders, before = (NAME, session.subject), Orders(session), self.feed.tell
        if self._beside:
            self.feed.tell = lambda line: session.tell(f"feed: {line}")
        try:
            yield
        finally:
            self.feed.tell = before

    def event(self, time_s: float, line: str) -> None:
        """A line worth telling."""
        self.feed.say("event", time_s=round(time_s, 6), says=line)

    def second(self, session: Session) -> None:
        """All there is to see just now. What came back is obeyed."""
        time_s = round(seconds(session.clock.now()), PLACES)
        self._tell_links(session, time_s)
        if (seats := session.states()) != self._seats:
            self._seats = seats
            self.feed.say("seats", time_s=time_s, seats=seats)
        self._tell_verdicts(session, time_s)
        self.telling.progress(time_s, session.plan.seconds, "seconds", ", ".join(session.active()))
        self.telling.hear(self._orders.obey, time_s)

    def _tell_links(self, session: Session, time_s: float) -> None:
        links = {
            name: {"words": t.words, "rate": t.rate, "wrong": t.wrong} for name, t in session.traffic().items()
        }
        stalls = round(1000 * seconds(session.stalls()), 3)
        self.feed.say("links", **_at(self._case, time_s), links=links, stalls_ms=stalls)

    def _tell_verdicts(self, session: Session, time_s: float) -> None:
        now, before = session.verdicts(), self._outcomes
        self._outcomes = {key: outcome for key, (outcome, _) in now.items()}
        self.telling.standing = Counter(self._outcomes.values())
        new = [
            judge.verdict(*key)._replace(case=NAME) for key, (outcome, judge) in now.items() if before.get(key) != outcome
        ]
        if new:
            self.telling.verdicts(self._case, time_s, new, final=False)
            self.telling.broken(self._case, time_s, new)


def _at(case: Case, time_s: float) -> dict:
    return {"case": case[0], "subject": case[1], "time_s": round(time_s, PLACES)}
