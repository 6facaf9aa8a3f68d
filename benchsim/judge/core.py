"""The judge: hears every burst and happening, lets rules (`benchsim.judge.registry`) look at them, hands back verdicts.

Kinds of events by name: "LINK.…" from the followers, "happening" and "happening.KIND" from off the links, "end" (end
tick) at the close. A follower may offer finer kinds ("bus.answer.cashless"), so that a rule is called only for what
concerns it. Of a capture, what a link says again and again at rest is only counted (`benchsim.judge.rounds`); a rule
that measures times hears of it by the kind "LINK.rounds".

Quiet time may be leapt over (`benchsim.leaps`), and the judge's time stands still meanwhile. A rule that remembers
something which only time will settle answers the kind "open" with true while it does; one that holds a tick of long
ago against now hears of the ticks leapt over by the kind "leap", and takes them from what it remembers. Events that
the board told meanwhile come by the kind "handed over"; "panel moved" tells by how many ticks the
panel's last report came to lie nearer (later) to now than it did.

Time is that of the events alone. `Judge.at` calls once everything that started up to that tick was told:
a value at its limit is legal.
"""

import heapq
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from operator import itemgetter

from benchsim.events import Burst, Happening, LinkInfo, seconds, ticks
from benchsim.judge.registry import FOLLOWERS, Rule, all_rules, hears_alone
from benchsim.judge.stalls import Stalls
from benchsim.judge.tally import Count, Ledger, Tally
from benchsim.judge.verdict import Place, Verdict

AFTERWARDS = ticks(0.1)  # parties that a stall has put out of step are in step again by then
SOON = ticks(0.1)  # calls of `at` that are further off belong to no cycle of a bench at rest
NEVER_TESTED = "the traffic never put it to the test"


class Judge:
    """A Listener. `subject`: the seat whose verdicts count (None: all). `reasons`: {rule: why it cannot
    be measured here}; such a rule is not run and comes out as unseen.
    """

    def __init__(self, links: list[LinkInfo], book, case: str | None = None, subject: str | None = None,
                 reasons: dict[str, str] | None = None, rules: Iterable[str] | None = None,
                 stalls: Stalls | None = None):
        self.book, self.case, self.subject = book, case, subject
        self.links = {info.name: info for info in links}
        self.only: frozenset[str] = frozenset()  # seats whose verdicts count, where there are several; empty: all
        self.reasons = dict(reasons or {})
        self._stalls = stalls
        self.now = 0  # ticks, start of what is being told
        self.frames = 0  # how many were numbered
        self.ended: int | None = None
        self.kit_talk = None  # the follower of the kit link, where that is heard
        self.readers = None  # the follower of cashless readers, once a rule asks for it
        self.present: dict[str, None] = {}  # seats that spoke, in order of their first word
        self._leaps: list[tuple[int, int]] = []  # ticks at which bench time ran ahead, and of how many in all
        self._soon = 0
        self._stood_at: int | None = None  # `now`, while time is being leapt over
        self._order = 0
        self.alarms: list[tuple[int, int, Callable, tuple, str | None]] = []
        self.panel_alarms: set[Callable] = set()  # of `at`, those which a rule moves itself, with the panel's reports
        self._calls: defaultdict[str, list[Callable]] = defaultdict(list)
        self._tallies: list[Tally] = []
        self._waiting: defaultdict[str | None, list[Callable]] = defaultdict(list)  # by link: does anything wait?
        self._alone: defaultdict[str | None, list[Tally]] = defaultdict(list)  # of rules that hear of one link only
        self.ledgers: defaultdict[str | None, Ledger] = defaultdict(Ledger)  # by link
        wanted = None if rules is None else set(rules)
        for one in all_rules():
            if wanted is None or one.id in wanted:
                self._start(one)
        self._followers = {
            name: make(self, self.links[name]) for name, make in FOLLOWERS.items() if name in self.links
        }
        self._bursts = {name: follower.burst for name, follower in self._followers.items()}
        self._any = self._calls["happening"]
        self._plays_all = False  # nobody real is at the bench
        self._calls["happening.case"].append(self._case)

    # ---- for rules and followers

    def calls(self, kind: str) -> list[Callable]:
        """Who wants to hear of a kind of event. Followers keep the list and call each."""
        return self._calls[kind]

    def callers(self, kinds: Iterable[str]) -> tuple[Callable, ...]:
        """Who wants to hear of an event that is of several kinds: each call once, in order of the kinds."""
        return tuple(dict.fromkeys(call for kind in kinds for call in self._calls.get(kind, ())))

    def number(self) -> int:
        """The number of the next frame, over all links; taken when its first word is seen."""
        self.frames += 1
        return self.frames

    def at(self, tick: int, call: Callable, *args, link: str | None = None) -> None:
        """Call once all that started at or before `tick` was told (never, if the capture ends before). `link`: the only
        one whose traffic matters to it.
        """
        self._order += 1
        heapq.heappush(self.alarms, (tick, self._order, call, args, link))

    def stalled(self, start: int, end: int) -> int:
        """Ticks by which the bench's own stalls may have moved times between `start` and `end`."""
        return self._stalls.doubt(start, end) if self._stalls else 0

    def doubt(self, link: str, start: int, end: int) -> int:
        """By how many ticks a time taken on a link, from `start` to `end`, may be off."""
        return self.links[link].uncertainty + self.stalled(start, end)

    def heard(self, seat: str) -> None:
        """A follower says that a seat spoke."""
        self.present[seat] = None

    # ---- Listener

    def burst(self, burst: Burst) -> None:
        """Words on a link, in order of start."""
        if self.alarms and burst.start > self.alarms[0][0]:
            self._ring(burst.start)
        self.now = burst.start
        follow = self._bursts.get(burst.link)
        if follow is not None:
            follow(burst)

    def happening(self, happening: Happening) -> None:
        """Something off the links."""
        if self.alarms and happening.time > self.alarms[0][0] and self._stood_at is None:
            self._ring(happening.time)
        self.now = happening.time
        for call in self._calls.get("happening." + happening.kind, ()):
            call(happening)
        for call in self._any:
            call(happening)

    def close(self, end: int) -> None:
        """Nothing more comes. What is still open and not too late is not judged."""
        if self.ended is not None:
            return
        self._ring(end)
        self.now = self.ended = end
        for follower in self._followers.values():
            follower.close(end)
        for call in self._calls["end"]:
            call(end)

    # ---- rounds

    @property
    def has_stalls(self) -> bool:
        """Did the bench's own computer stall?"""
        return bool(self._stalls)

    def follower(self, link: str):
        """The follower of a link."""
        return self._followers[link]

    def rests(self, link: str) -> bool:
        """Does no rule on that link wait for time to pass, but for `at`?"""
        return not any(call() for call in self._waiting[link])

    def counts_of(self, link: str) -> list[Count]:
        """What rules counted that hear of that link alone, and not of its rounds."""
        return [count for tally in self._alone[link] for count in tally.counts.values()]

    def burst_again(self, burst: Burst, number: int) -> None:
        """Words that were held back, and the number that their frame had then."""
        frames, self.frames = self.frames, number - 1
        self.burst(burst)
        self.frames = frames

    def ring_first(self) -> None:
        """Make the call of `at` that is due next."""
        self.now, _, call, args, _ = heapq.heappop(self.alarms)
        call(*args)

    # ---- quiet time

    @property
    def at_rest(self) -> bool:
        """Does no rule wait for time to pass, but for `at`?"""
        return not any(call() for call in self._calls["open"])

    def waiting(self, now: int) -> tuple:
        """What `at` has to call soon, and when, from now."""
        return tuple((tick - now, id(call)) for tick, _, call, *_ in sorted(self.alarms, key=itemgetter(0, 1))
                     if tick <= now + SOON and call not in self.panel_alarms)  # fmt: skip

    @property
    def until(self) -> int | None:
        """The tick until which rules only wait, for more than a moment; None if there is none."""
        ticks = [tick for call in self._calls["until"] if (tick := call()) is not None]
        ticks += [tick for tick, _, call, *_ in self.alarms if tick > self.now + SOON and call not in self.panel_alarms]
        return min(ticks, default=None)

    def panel_moved(self, by: int) -> None:
        """After a leap the panel's last report lies so many ticks nearer to now."""
        for call in self._calls["panel moved"]:
            call(by)

    def stand(self, now: int) -> None:
        """Time stands from here on until `leapt`: what happens in bench time meanwhile makes no call of `at` due."""
        self._stood_at, self._soon = self.now, now + SOON

    def counted(self) -> dict[Count | str, tuple[int, ...]]:
        """What was counted so far, and how many frames and requests there were."""
        counts = {count: count.counted for tally in self._tallies for count in tally.counts.values()}
        return counts | {"frames": (self.frames,), "requests": (self.kit_talk.requests if self.kit_talk else 0,)}

    def handed_over(self, events: list) -> None:
        """In quiet time that is being leapt over the host got these events of the board."""
        if self.kit_talk:
            self.kit_talk.events.handed_over(events)
        for call in self._calls["handed over"]:
            call(events)

    def leapt(self, length: int, counted: dict) -> None:
        """Quiet time was leapt over: so many ticks, in which so much was counted."""
        self.frames += counted.pop("frames", (0,))[0]
        requests = counted.pop("requests", (0,))[0]
        if self.kit_talk:
            self.kit_talk.leapt(requests)
        for count, more in counted.items():
            count.add(more)
        self.alarms = [(tick - length * (tick > self._soon and call not in self.panel_alarms), order, call, *more)
                       for tick, order, call, *more in self.alarms]  # fmt: skip
        heapq.heapify(self.alarms)
        self.now, self._stood_at = self._stood_at, None
        self._leaps.append((self.now, length + (self._leaps[-1][1] if self._leaps else 0)))
        for call in self._calls["leap"]:
            call(length)

    def _bench_seconds(self, place: Place) -> Place:
        """The same place, in bench time."""
        tick = ticks(place.time_s)
        before = bisect_left(self._leaps, (tick, 0))
        return place._replace(time_s=seconds(tick + self._leaps[before - 1][1])) if before else place

    # ---- results

    def verdicts(self) -> list[Verdict]:
        """By rule, then by seat."""
        found = []
        for tally in self._tallies:
            seats = filter(self._wanted, {*self._seats_of(tally.rule), *tally.counts})
            found += [tally.verdict(seat, self._why(tally.rule), self.case) for seat in sorted(seats)]
        if self._leaps:
            found = [one._replace(at=tuple(map(self._bench_seconds, one.at))) for one in found]
        return found

    def outcomes(self) -> dict[tuple[str, str], str]:
        """How verdicts would come out by now, by (rule, seat), of what was put to the test so far; cheap enough for
        every second.
        """
        return {
            (tally.rule.id, seat): count.outcome(tally.rule.advice or tally.rule.confidence_of(count.limit) == "C")
            for tally in self._tallies
            for seat, count in tally.counts.items()
            if self._wanted(seat)
        }

    def standing(self) -> dict[str, int]:
        """How many verdicts would be what by now."""
        return dict(Counter(self.outcomes().values()))

    def verdict(self, rule: str, seat: str) -> Verdict:
        """One verdict as it would be by now."""
        tally = next(tally for tally in self._tallies if tally.rule.id == rule)
        return tally.verdict(seat, self._why(tally.rule), self.case)

    def samples(self) -> dict[tuple[str, str], list[float]]:
        """Measured values by (rule, seat), in the limit's unit; the first few thousand of each."""
        return {
            (tally.rule.id, seat): [count.limit.shown(value) for value in count.samples]
            for tally in self._tallies
            for seat, count in sorted(tally.counts.items())
            if count.samples and self._wanted(seat)
        }

    # ---- inside

    def _start(self, one: Rule) -> None:
        info = self.links.get(one.link) if one.link else None
        doubt, stalled = info.uncertainty if info else 0, self._stalled if self._stalls else None
        excused = self._excused if self._stalls else None
        tally = Tally(one.on(self.book), one.limit_in(self.book), doubt, stalled, self.ledgers[one.link], excused)
        self._tallies.append(tally)
        if one.id in self.reasons or (one.link and not info) or one.blind(self.links):
            return
        calls = one.make(tally, self) or {}
        for kind, call in calls.items():
            self._calls[kind].append(call)
        if "open" in calls:
            self._waiting[one.link].append(calls["open"])
        if "until" in calls:
            self._waiting[one.link].append(lambda until=calls["until"]: until() is not None)
        if hears_alone(one.link, tuple(calls)):
            self._alone[one.link].append(tally)

    def _why(self, one: Rule) -> str:
        return self.reasons.get(one.id) or one.blind(self.links) or one.unseen or NEVER_TESTED

    def _stalled(self, value: int) -> int:
        return self.stalled(self.now - value, self.now)

    def _excused(self, frame) -> bool:
        """Where the bench's own computer plays all parties, what they do wrong just after it stalled is its doing."""
        return self._plays_all and self.stalled((frame.start if frame else self.now) - AFTERWARDS, self.now) > 0

    def _case(self, happening: Happening) -> None:
        self._plays_all = bool(happening.data.get("played"))

    def _wanted(self, seat: str) -> bool:
        return seat == self.subject if self.subject is not None else not self.only or seat in self.only

    def _seats_of(self, one: Rule) -> list[str]:
        """Seats to which the rule applies in this run, tested or not."""
        if (one.link and one.link not in self.links) or (one.of and one.of != self.case):
            return []
        named = one.seats(self.book, self.subject)
        return [seat for seat in named if seat in self.present or seat == self.subject]

    def _ring(self, until: int) -> None:
        while self.alarms and self.alarms[0][0] < until:
            self.ring_first()
