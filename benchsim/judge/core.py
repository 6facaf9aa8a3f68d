"""The judge: hears every burst and happening, lets rules look at them, hands back verdicts.

A rule is a small function, called once per judge. It gets its `Tally` and the `Judge`, keeps its memory
in its own variables, and returns what it wants to hear: {kind of event: call}. Its docstring is the
statement that people read.

    @rule("KIT-ANSWER", judged="board", link="kit", limit="answer")
    def answer_in_time(tally, judge):
        '''An answer starts within its time.'''
        board = tally.of("board")
        def exchange(x):
            board.measure(x.delay, x.answer)
        return {"kit.exchange": exchange}

A follower turns the bursts of one link into such events (`@follows("kit")`). Kinds by name: "LINK.…" from
the followers, "happening" and "happening.KIND" from off the links, "end" (end tick) at the close.

Time is that of the events alone. `Judge.at` calls once everything that started up to that tick was told:
a value at its limit is legal.
"""

import heapq
from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import NamedTuple

from benchsim.events import Burst, Happening, LinkInfo
from benchsim.judge.stalls import Stalls
from benchsim.judge.tally import Tally
from benchsim.judge.verdict import Verdict, rank
from benchsim.schema.limits import Limit

NEVER_TESTED = "the traffic never put it to the test"
NEEDS = {
    "gaps": (lambda info: info.chunks, "words arrive in lumps here, so gaps inside a block are not measured"),
    "edges": (lambda info: not info.edges, "the edges of the bits are not measured here"),
}
# Whom a rule can judge, beside seats by their own names.
ROLES = {
    "controller": ("board",),
    "changer": ("changer",),
    "validator": ("validator",),
    "reader": ("cashless1", "cashless2"),
}


class Rule(NamedTuple):
    """One rule: who is judged, against which limit, and the function that makes its calls."""

    id: str
    judged: tuple[str, ...]  # seats or roles, also "device" (any payment device) and "subject"
    link: str | None  # the link it needs; None: none in particular
    limit: str | None  # "NAME" of the link's limits, or "LINK.NAME", or "DEVICE.NAME"
    source: str
    confidence: str
    advice: bool
    needs: str | None
    unseen: str | None  # why it is unseen where nothing puts it to the test
    make: Callable

    @property
    def statement(self) -> str:
        """The rule in a sentence."""
        return " ".join((self.make.__doc__ or "").split())

    def confidence_of(self, limit: Limit | None) -> str:
        """The weaker of the rule's own confidence and its limit's."""
        return max(self.confidence, limit.confidence) if limit else self.confidence

    def source_of(self, limit: Limit | None) -> str:
        """The published source."""
        return self.source or (limit.source if limit else "")

    def limit_in(self, book) -> Limit | None:
        """The limit, from the protocol file that states it."""
        if self.limit is None:
            return None
        place, _, name = self.limit.rpartition(".")
        spec = book.devices.get(place) or book.links[place or self.link]
        return spec.limits[name]


RULES: dict[str, Rule] = {}
FOLLOWERS: dict[str, Callable] = {}


def rule(
    id: str,
    judged: str | Iterable[str],
    link: str | None = None,
    limit: str | None = None,
    source: str = "",
    confidence: str = "A",
    advice: bool = False,
    needs: str | None = None,
    unseen: str | None = None,
) -> Callable:
    """Register a rule. `judged`: seats or roles, as text ("board host") or a tuple."""
    seats = tuple(judged.split()) if isinstance(judged, str) else tuple(judged)

    def register(make: Callable) -> Callable:
        if id in RULES:
            raise ValueError(f"the rule {id} is registered twice")
        RULES[id] = Rule(id, seats, link, limit, source, confidence, advice, needs, unseen, make)
        return make

    return register


def follows(link: str) -> Callable:
    """Register a follower of a link: called with (judge, LinkInfo), it has `burst(burst)`, `close(end)`."""

    def register(make: Callable) -> Callable:
        FOLLOWERS[link] = make
        return make

    return register


def all_rules() -> list[Rule]:
    """Every rule, in the order in which people read them."""
    return sorted(RULES.values(), key=lambda one: rank(one.id))


class Judge:
    """A Listener. `subject`: the seat whose verdicts count (None: all). `reasons`: {rule: why it cannot
    be measured here}; such a rule is not run and comes out as unseen.
    """

    def __init__(self, links: list[LinkInfo], book, case: str | None = None, subject: str | None = None,
                 reasons: dict[str, str] | None = None, rules: Iterable[str] | None = None,
                 stalls: Stalls | None = None):
        self.book, self.case, self.subject = book, case, subject
        self.links = {info.name: info for info in links}
        self.reasons = dict(reasons or {})
        self._stalls = stalls
        self.now = 0  # ticks, start of what is being told
        self.frames = 0  # how many were numbered
        self.ended: int | None = None
        self.present: dict[str, None] = {}  # seats that spoke, in order of their first word
        self._order = 0
        self._alarms: list[tuple[int, int, Callable, tuple]] = []
        self._calls: defaultdict[str, list[Callable]] = defaultdict(list)
        self._tallies: list[Tally] = []
        wanted = None if rules is None else set(rules)
        for one in all_rules():
            if wanted is None or one.id in wanted:
                self._start(one)
        self._followers = {
            name: make(self, self.links[name]) for name, make in FOLLOWERS.items() if name in self.links
        }
        self._bursts = {name: follower.burst for name, follower in self._followers.items()}
        self._any = self._calls["happening"]

    # ---- for rules and followers

    def calls(self, kind: str) -> list[Callable]:
        """Who wants to hear of a kind of event. Followers keep the list and call each."""
        return self._calls[kind]

    def number(self) -> int:
        """The number of the next frame, over all links; taken when its first word is seen."""
        self.frames += 1
        return self.frames

    def at(self, tick: int, call: Callable, *args) -> None:
        """Call once all that started at or before `tick` was told (never, if the capture ends before)."""
        self._order += 1
        heapq.heappush(self._alarms, (tick, self._order, call, args))

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
        if self._alarms and burst.start > self._alarms[0][0]:
            self._ring(burst.start)
        self.now = burst.start
        follow = self._bursts.get(burst.link)
        if follow is not None:
            follow(burst)

    def happening(self, happening: Happening) -> None:
        """Something off the links."""
        if self._alarms and happening.time > self._alarms[0][0]:
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

    # ---- results

    def verdicts(self) -> list[Verdict]:
        """By rule, then by seat."""
        found = []
        for tally in self._tallies:
            seats = dict.fromkeys([*self._seats_of(tally.rule), *tally.counts])
            why = self._why(tally.rule)
            found += [tally.verdict(seat, why, self.case) for seat in sorted(seats) if self._wanted(seat)]
        return found

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
        tally = Tally(one, one.limit_in(self.book), doubt, stalled)
        self._tallies.append(tally)
        if one.id in self.reasons or (one.link and not info) or self._blind(one):
            return
        for kind, call in (one.make(tally, self) or {}).items():
            self._calls[kind].append(call)

    def _blind(self, one: Rule) -> str | None:
        info = self.links.get(one.link)
        if one.needs and info and NEEDS[one.needs][0](info):
            return NEEDS[one.needs][1] + (f" ({info.note})" if info.note else "")
        return None

    def _why(self, one: Rule) -> str:
        return self.reasons.get(one.id) or self._blind(one) or one.unseen or NEVER_TESTED

    def _stalled(self, value: int) -> int:
        return self.stalled(self.now - value, self.now)

    def _wanted(self, seat: str) -> bool:
        return self.subject is None or seat == self.subject

    def _seats_of(self, one: Rule) -> list[str]:
        """Seats to which the rule applies in this run, tested or not."""
        if one.link and one.link not in self.links:
            return []
        devices = [s for d in self.book.devices.values() for s in d.seats]
        roles = {**ROLES, "device": devices, "subject": [self.subject]}
        named = [seat for role in one.judged for seat in roles.get(role, (role,))]
        return [seat for seat in named if seat and (seat in self.present or seat == self.subject)]

    def _ring(self, until: int) -> None:
        while self._alarms and self._alarms[0][0] < until:
            tick, _, call, args = heapq.heappop(self._alarms)
            self.now = tick
            call(*args)
