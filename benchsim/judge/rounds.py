"""A link at rest goes round: POLL of one device, its ACK, the next device, and so on, always the same. An exchange that
was looked at by every rule is only counted when it comes again, and what depends on times is told as lots.

    a sale … each exchange, looked at by every rule │ the same again × 500: held │ something else
                                                      all but the last ──┘    └── looked at by every rule
                                                      is only counted

It is what `benchsim.leaps` does for a bench at rest: what repeats counts the same again. There all times repeat as
well; a capture has times of its own, so a rule that measures them (kind "LINK.rounds") hears of every exchange as a
`Lot`. Any other rule must make of the second like exchange what it made of the first: then nothing is lost if all but
the last are only counted. The last ones are told in full, so that everybody remembers what came last.

A link is at rest while no rule on it waits for time to pass (kind "open"). What ends its rest: anything else on the
link, anything off the links, a call of `Judge.at`; the kit link is also woken by the bus, because the books of money
are kept on both. Stalls of the bench's own computer are looked at one by one, so there is no rest with them.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterator
from operator import itemgetter

from benchsim.events import Burst, Happening
from benchsim.judge.core import Judge
from benchsim.judge.tally import SAMPLES, Count

HELD = 1 << 13  # exchanges at most; then they are counted, and it goes on
KNOWN = 1 << 10  # exchanges of which it is known what they count
WAKES = {"bus": ("bus", "kit")}  # links whose rest ends with that of another

LINKS: dict[str, Callable] = {}


def rounds_of(link: str) -> Callable:
    """Register what an exchange of a link is: a subclass of `LinkRounds`."""

    def register(make: Callable) -> Callable:
        LINKS[link] = make
        return make

    return register


class Rounds:
    """A Listener before a judge, which then hears less. What the judge has found is complete after `close`."""

    def __init__(self, judge: Judge):
        self.judge = judge
        self.links = {} if judge.has_stalls else {name: make(judge, self) for name, make in LINKS.items() if name in judge.links}
        self.bursts: defaultdict[str, Callable[[Burst], None]] = defaultdict(lambda: self._other)  # by link
        self.bursts.update({name: link.burst for name, link in self.links.items()})

    def burst(self, burst: Burst) -> None:
        """Words on a link, in order of start."""
        self.bursts[burst.link](burst)

    def happening(self, happening: Happening) -> None:
        """Something off the links."""
        self.settle(self.links)
        self.judge.happening(happening)

    def close(self, end: int) -> None:
        """Nothing more comes."""
        self.settle(self.links)
        self.judge.close(end)

    def _other(self, burst: Burst) -> None:
        self.ring(burst.start)
        self.judge.burst(burst)

    def ring(self, until: int) -> None:
        """Make the calls of `at` that are due before anything that starts then."""
        alarms = self.judge.alarms
        while alarms and alarms[0][0] < until:
            link = alarms[0][-1]
            self.settle(self.links if link is None else (link,))
            self.judge.ring_first()

    def settle(self, names) -> None:
        """These links rest no longer: tell what they held back."""
        links = [self.links[name] for name in names if name in self.links]
        rest = [one for link in links for one in link.let_go()]
        rest.sort(key=itemgetter(1))
        for burst, number in rest:
            self.judge.burst_again(burst, number)
        for link in links:
            link.forget()


class Like:
    """An exchange that may come again."""

    __slots__ = ("answer", "gains", "question", "x")

    def __init__(self, question: Hashable, answer: Hashable, x, gains: list[tuple[Count, int, tuple]]):
        self.question, self.answer = question, answer  # what they are; None where silence is the answer
        self.x = x  # the exchange as the follower knows it
        self.gains = gains  # what is counted each time: how many, and the samples


class Lot:
    """Exchanges that are only counted, in order: (like, question, its number, answer, its number)."""

    def __init__(self, told: list[tuple], heard: Callable):
        self.told, self._heard = told, heard

    def __iter__(self) -> Iterator[tuple]:
        """(an exchange like it, question, answer or None) of each."""
        for like, question, _, answer, _ in self.told:
            yield like.x, question, answer

    def question(self, at: int):
        """The question of an exchange, as the follower would have heard it."""
        like, question, number, *_ = self.told[at]
        return self._heard(question, number, like.x)

    def answer(self, at: int):
        """Its answer."""
        like, *_, answer, number = self.told[at]
        return self._heard(answer, number, like.x)


class LinkRounds:
    """One link. What its exchanges are, subclasses tell."""

    link: str
    last = 1  # exchanges of which more than the last times is remembered

    def __init__(self, judge: Judge, rounds: Rounds):
        self.judge, self.rounds, self.talk = judge, rounds, judge.follower(self.link)
        self._calls = judge.calls(f"{self.link}.rounds")
        self._wakes = WAKES.get(self.link, (self.link,))
        self._ledger, self._size = judge.ledgers[self.link], -1
        self._counts: list[Count] = []
        self._before = self._sizes = ()
        self._known: dict[tuple, list] = {}  # exchanges -> what is counted in each
        self._held: list[tuple] = []  # as in `Lot`
        self._open: tuple | None = None  # a question that is held: like, question, number
        self._begun: Burst | None = None  # a question that was told
        self.forget()

    # ---- told by subclasses

    def asks(self, burst: Burst) -> Like | None:
        """The exchange at rest that this question begins, if it is punctual and nothing but that."""
        raise NotImplementedError

    def answers(self, like: Like, burst: Burst) -> bool:
        """Is it the answer of that exchange, punctual and nothing but that?"""
        raise NotImplementedError

    def begins(self, burst: Burst) -> bool:
        """Is it a question?"""
        return burst.out

    def ordinary(self, burst: Burst) -> bool:
        """Can nobody on another link be concerned by it?"""
        return True

    def exchange(self, question: Burst, answer: Burst | None) -> tuple | None:
        """(question, answer, exchange) as in `Like` of what was just told, if the link can be at rest with it."""
        raise NotImplementedError

    def about(self, x) -> Hashable:
        """Whose state an exchange tells: who is at rest says the same every time."""
        return None

    def heard(self, burst: Burst, number: int, x):
        """A burst of an exchange like `x`, as the follower would have heard it."""
        raise NotImplementedError

    def skip(self, exchanges: int) -> None:
        """So many are only counted: the follower keeps up."""

    # ---- hearing

    def burst(self, burst: Burst) -> None:
        """Words of the link, in order of start."""
        alarms = self.judge.alarms
        if alarms and burst[0] > alarms[0][0]:
            self.rounds.ring(burst[0])
        if self.likes and (self._asked(burst) if burst[3] else self._answered(burst)):
            return
        if not self.ordinary(burst):
            self.rounds.settle(self._wakes)
        elif self._held or self._open:
            for one, number in self.let_go():
                self.judge.burst_again(one, number)
            self._gained()  # that was not gained by what comes now
        self._look(burst)

    def _asked(self, burst: Burst) -> bool:
        if self._open is not None:
            if self._open[0].answer is not None:
                return False
        elif self._begun is not None:
            return False
        found = self.asks(burst)
        if found is None:
            return False
        if self._open is not None:
            self._hold(None, 0)
        self.judge.frames += 1
        self._open = found, burst, self.judge.frames
        return True

    def _answered(self, burst: Burst) -> bool:
        if self._open is None or not self.answers(self._open[0], burst):
            return False
        self.judge.frames += 1
        self._hold(burst, self.judge.frames)
        self._open = None
        return True

    def _hold(self, answer: Burst | None, number: int) -> None:
        self._held.append((*self._open, answer, number))
        if len(self._held) >= HELD:
            self._held = self._rest()

    def _look(self, burst: Burst) -> None:
        """Every rule hears it; is an exchange over that may come again?"""
        question, self._begun = self._begun, burst if self.begins(burst) else None
        gained = self._gained() if self._begun else None
        self.judge.burst(burst)
        if self._begun is None:
            self._note(question and self.exchange(question, burst))
        elif question is not None:
            self._note(self.exchange(question, None), gained)

    def _note(self, found: tuple | None, gained: list | None = None) -> None:
        what, about = (found[:2], self.about(found[2])) if found else (None, None)
        if what is None or self._told.get(about, what) != what:
            self.forget()
        gained = self._gained() if gained is None else gained
        if what is None or gained is None:
            return
        self._told[about] = what
        if gained in (self._seen.get(what), self._known.get(what)) and self._at_rest():
            self.likes[found[0]] = Like(*found, gained)
            if len(self._known) >= KNOWN:
                self._known.clear()
            self._known[what] = gained
        self._seen[what] = gained

    def forget(self) -> None:
        """What comes next has nothing to do with what was before."""
        self.likes: dict[Hashable, Like] = {}  # exchanges that are only counted, by their question
        self._told: dict[Hashable, tuple] = {}  # whom exchanges were about -> what they were
        self._seen: dict[tuple, list] = {}  # exchanges that every rule heard -> what was counted
        self._fresh = True  # what comes next is the first

    def _at_rest(self) -> bool:
        if self._ledger.spoilt != self._spoilt or len(self._ledger.counts) != self._size:
            self.forget()
            return False
        return self.judge.rests(self.link)

    # ---- what is counted

    def _gained(self) -> list[tuple] | None:
        """(count, how many, samples) of what grew since the exchange before; None if it is the first."""
        known, self._fresh = not self._fresh, False
        if not known:
            self._spoilt = self._ledger.spoilt
            if len(self._ledger.counts) != self._size:
                self._size, self._counts = len(self._ledger.counts), self.judge.counts_of(self.link)
                self._measured = [count.samples if count.limit else () for count in self._counts]
        before, sizes = self._before, self._sizes
        self._before = now = [count.checked for count in self._counts]
        self._sizes = list(map(len, self._measured))
        if not known or now == before:
            return [] if known else None
        return [
            (count, new - old, tuple(samples[size:]))
            for count, new, old, samples, size in zip(self._counts, now, before, self._measured, sizes, strict=True)
            if new != old
        ]

    # ---- the end of a rest

    def let_go(self) -> list[tuple[Burst, int]]:
        """Count what is held; the rest is handed back, and a question without its answer, each with its number."""
        rest = self._rest()
        if self._open is not None:
            rest.append((*self._open, None, 0))
            self._begun = self._open[1]
        self._held, self._open = [], None
        bursts = []
        for _, question, asked, answer, told in rest:
            bursts.append((question, asked))
            if answer is not None:
                bursts.append((answer, told))
        return bursts

    def _rest(self) -> list[tuple]:
        """Count what is held but for the rest, which comes back: the last ones, and the last of each that stays silent."""
        silent = {like: at for at, (like, *_) in enumerate(self._held) if like.answer is None}
        rest = {*silent.values(), *range(max(0, len(self._held) - self.last), len(self._held))}
        lot = [one for at, one in enumerate(self._held) if at not in rest]
        if lot:
            self._count(lot)
        return [self._held[at] for at in sorted(rest)]

    def _count(self, told: list[tuple]) -> None:
        lot = Lot(told, self.heard)
        for call in self._calls:
            call(lot)
        for like, times in Counter(one[0] for one in told).items():
            for count, checked, _ in like.gains:
                count.checked += times * checked
        self._sample(told)
        self.skip(len(told))

    def _sample(self, told: list[tuple]) -> None:
        """Measured values, as long as there is room for any."""
        measured = {like: [(count, samples) for count, _, samples in like.gains if samples] for like in {one[0] for one in told}}
        room = {count for some in measured.values() for count, _ in some if len(count.samples) < SAMPLES}
        for like, *_ in told if room else ():
            for count, samples in measured[like]:
                if count in room:
                    count.samples += samples[: SAMPLES - len(count.samples)]
                    if len(count.samples) >= SAMPLES:
                        room.discard(count)
