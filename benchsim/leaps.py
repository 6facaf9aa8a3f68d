"""Leaps over quiet time: where one moment at the bench is like the one before, many are passed at once.

    a sale … rest ── a cycle ── the same cycle again ══════ leap ══════ what is left ── the next sale

At rest a bench goes round in a cycle of a tenth of a second: polls and their answers. Before a leap
everything that the bench remembers, times taken from now, is held against what it was a cycle ago, with every call
still to be made. If nothing differs the next cycle can differ in nothing, nor can the one after, up to the first
far call (`clock`). So bench time alone goes on, and what counts cycles (requests, checks of the rules) is given
what it would have counted. Nobody's times have to be moved: links, seats and judge live in a time without leaps.

Some far calls touch hardly anything else: a leap makes them on its way (`Clock.call_aside`). Where one has the board
tell its host of a reading, or where something regular is due (`REGULAR`, `Clock.call_regular`: a report of the panel,
a look at the tubes), the time until all is as before, a passage, is played once for each state. From then on the
reading is handed over, the next time of what is regular is set, and what was counted in the passage is counted again.

What may not be judged by one cycle is asked for: seats say whether anything waits for longer (`at_rest`), and so
do rules (kind "open"). Chance keeps a bench awake: who draws from it in every cycle is never the same again.

A host of the user's own may take part (`host`): it says by `at_rest` that it will go on as it did in the last cycle, and
whoever tells it so answers for it. Its timers, which must live in a time without leaps (`VirtualLoop.run_at_rest`), are
held against those of a cycle ago like all others; of what it remembers nothing is seen, and nothing is written there. So
the board's readings are not handed over to it but played, and requests in a leap leave sequence numbers as they are.

In virtual time only, and only with listeners that know of leaps (`leapt`): a capture that is being written does
not, it would lack what was leapt over.
"""

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from benchsim.events import Burst, Happening, ticks
from benchsim.portrait import Portrait

LOOK = ticks(0.1)  # how often it is looked whether the bench rests: POLL of bus and kit link
SOON = ticks(0.003)  # to the next look where somebody was just talking
LONGEST_CYCLE = ticks(1.0)
WORTH = ticks(0.3)  # time that is worth the trouble of a leap
JUST = ticks(1.0)  # what was due so short ago may not be done yet
LONGEST = ticks(3600.0)
KEPT = 64  # states of which it is known that they come again
LONGEST_PASSAGE = ticks(3.0)
_NEVER = 1 << 62
_READING = -1


class Growth(NamedTuple):
    """Attributes of the bench that only grow, and what listeners counted: up to a moment, or in some time."""

    counting: tuple[int, ...]
    counted: tuple[dict, ...]

    def since(self, before: "Growth") -> "Growth":
        """What came from `before` to here."""
        counting = tuple(a - b for a, b in zip(self.counting, before.counting, strict=True))
        return Growth(counting, tuple(map(_grown, self.counted, before.counted)))


class Known:
    """A state of the bench: `counts` when it was seen, or, once it came again, `cycle`, ticks, and what `grows` in it."""

    __slots__ = ("at", "counts", "cycle", "grows", "passages")

    def __init__(self, at: int, counts: Growth):
        self.at, self.counts = at, counts
        self.cycle, self.grows = 0, counts
        self.passages: list[Passage] = []


class Passage(NamedTuple):
    """What comes of known causes, until the state they came in has come again."""

    cycles: int
    causes: frozenset[tuple[int, int]]  # (which of the marks, -1 a reading; when, ticks)
    growth: Growth
    times: tuple[int | None, ...]  # bench times as they are then, from the beginning; None: as they were


class Playing(NamedTuple):
    """A passage that is played for the first time."""

    known: Known
    at: int  # tick
    base: int  # bench time
    far: int  # bench time at which it must be over
    counts: Growth
    told: int  # events that the board had told its host
    times: list[int]
    aside: int  # when the first call aside is due, ticks from the beginning


class Leaps:
    """Watches one bench and leaps whenever it can. `leapt` is bench time passed so, `times` how often, ticks. `host`: what
    says whether a host of the user's own is `at_rest`.
    """

    def __init__(self, bench, host=None):
        self.bench, self.clock = bench, bench.clock
        self._host = bench.host or host
        self._hands_over = bench.host is not None
        self.times = 0
        self._known: dict[tuple, Known] = {}  # states that come again
        self._fresh: dict[tuple, Known] = {}  # of the cycle under way
        self._heard: set[str] = set()  # kinds of what happened since the last leap
        self._awake = True  # something happened since the last look
        self._far = 0  # bench time of the first far call, as seen at the last look
        self._playing: Playing | None = None
        self._timer = None
        self._next = 0
        self._seldom, self._regular, self._past = (), (), ()  # where bench times stand (`Portrait`)

    @property
    def leapt(self) -> int:
        """Bench time that was leapt over."""
        return self.clock.skipped

    def start(self) -> None:
        """Begin to watch. ValueError in real time, and beside a listener that cannot leap."""
        if not self.clock.virtual:
            raise ValueError("time can be leapt over in virtual time only")
        for listener in self.bench.trace.listeners:
            if not hasattr(listener, "leapt"):
                raise ValueError(f"{type(listener).__name__} cannot leap: it would lack what was leapt over")
        self._listeners = [one for one in self.bench.trace.listeners if hasattr(one, "counted")]
        self.bench.trace.listeners.append(_Watch(self))
        self._next = self.clock.now()
        self._look_at_next()

    def stop(self) -> None:
        """Leap no more."""
        if self._timer:
            self._timer.cancel()

    def woken(self, kind: str) -> None:
        """Something happened off the links."""
        self._awake = True
        self._heard.add(kind)

    # ---- looks

    def _look_at_next(self) -> None:
        self._next += LOOK
        self._timer = self.clock.call_at(self._next, self._look)

    def _look(self) -> None:
        now, rests = self.clock.now(), self._rests()
        woken, self._awake = self._awake, False
        if woken or not rests or self._far <= self.clock.bench_time():
            self._fresh.clear()
        if rests and self._talks() and now + SOON < self._next + LOOK:
            self._timer = self.clock.call_at(now + SOON, self._look)
            return
        self._look_at_next()
        if rests and not woken and self._undisturbed():  # what has just happened is still being told
            self._compare(now)

    def _rests(self) -> bool:
        bench = self.bench
        seats = (bench.board, self._host, bench.panel, *bench.devices.values())
        whole = all(line.whole for line in bench.lines.values())
        return (
            whole and self.clock.idle and all(seat and seat.at_rest for seat in seats)
            and all(listener.at_rest for listener in self._listeners)
        )  # fmt: skip

    def _talks(self) -> bool:
        """Is anybody talking, or waiting for an answer?"""
        bench = self.bench
        asks = bench.host and bench.host.asker.busy
        return asks or bench.board.till.pay.master.busy or any(line.talking for line in bench.lines.values())

    # ---- times to come

    def _look_over(self, portrait: Portrait) -> None:
        """Whose times are to be watched; a board that started anew has others."""
        self._seldom, self._regular, self._past = portrait.seldom, portrait.regular, portrait.past

    def _marks(self) -> list[int]:
        """Bench times at which somebody does what is done regularly."""
        return [*(place.get(name, 0) for place, name in self._regular), *(when for when, _ in self.clock.regular())]

    def _times(self) -> list[int]:
        """Those, and times of what is over."""
        return [*self._marks(), *(place[name] for place, name in self._past)]

    def _set_times(self, begun: int, times: Iterable[int | None]) -> None:
        """As they are after a passage that has begun at that bench time."""
        calls = self.clock.regular()
        for where, time in zip([*self._regular, *calls, *self._past], times, strict=True):
            if time is None:
                continue
            if where in calls:
                self.clock.set_regular(where[1], begun + time)
            else:
                where[0][where[1]] = begun + time

    def _undisturbed(self) -> bool:
        """Is no time too near, or past, so that something may not be done yet?"""
        time = self.clock.bench_time()
        return self._first_far() - time > WORTH and all(mark > time for mark in self._marks())

    def _first_far(self) -> int:
        """The bench time that a leap must not reach; it may have just passed."""
        just = self.clock.bench_time() - JUST
        waits = [until + self.clock.skipped for one in self._listeners if (until := one.until) is not None]
        times = [time for time in (*(place[name] for place, name in self._seldom), *waits) if time > just]
        return min([*times, self.clock.next_far() or _NEVER])

    def _compare(self, now: int) -> None:
        portrait = Portrait(self.bench, now)
        self._look_over(portrait)
        if not self._undisturbed():
            return
        far, time = self._first_far(), self.clock.bench_time()
        aside = self.clock.next_aside()
        self._far = min([far, aside[0] + self.clock.skipped if aside else _NEVER, *self._marks()])
        portrait.add_calls((when, timed) for when, timed in self.clock.near() if timed is not self._timer)
        key = (*portrait.values, *(listener.waiting(now) for listener in self._listeners))
        counts = self._counts(value for _, _, value in portrait.counting)
        known = self._known.get(key)
        if known is None:
            known = self._fresh.get(key)
            if known is None or now - known.at > LONGEST_CYCLE:
                self._fresh[key] = Known(now, counts)
                return
            self._came_again(known, counts, now)
        if not (self._playing and self._goes_on(self._playing, known, counts, now)):
            self._leap(min(far - time - 1, LONGEST), far, portrait, known)

    def _counts(self, counting: Iterable[int]) -> Growth:
        return Growth(tuple(counting), tuple(listener.counted() for listener in self._listeners))

    def _came_again(self, known: Known, counts: Growth, now: int) -> None:
        """The bench went round once: what was counted since, and all states on the way, come again in every cycle."""
        cycle, grows = now - known.at, counts.since(known.counts)
        if len(self._known) > KEPT:
            self._known.clear()
        for key, one in self._fresh.items():
            if one.at >= known.at:
                one.cycle, one.grows = cycle, grows
                self._known[key] = one
        self._fresh.clear()

    def _goes_on(self, playing: Playing, known: Known, counts: Growth, now: int) -> bool:
        """Is a passage still being played? Once its state has come again, it is known."""
        alone = self._heard <= {"cold"} and self.clock.bench_time() < playing.far
        length = now - playing.at
        if alone and known is not playing.known and length < LONGEST_PASSAGE:
            return True
        self._playing = None
        told = self.bench.board.queue.told - playing.told
        if alone and known is playing.known and not length % known.cycle and 0 <= told <= self._hands_over:
            causes = _causes(playing.times[: len(self._marks())], playing.base, length, playing.aside if told else _NEVER)
            times = zip(self._times(), playing.times, strict=True)
            after = tuple(new - playing.base if new != old else None for new, old in times)
            known.passages.append(Passage(length // known.cycle, causes, counts.since(playing.counts), after))
        return False

    # ---- leaps

    def _leap(self, length: int, far: int, portrait: Portrait, known: Known) -> None:
        """Pass as many cycles as there are in that time."""
        start, base = self.clock.now(), self.clock.bench_time()
        for listener in self._listeners:
            listener.stand(start)
        said = self.bench.panel.said_at
        cycles, passages, stopped = self._go(start, base, length // known.cycle, known)
        self.clock.ticks = start
        self.clock.skip(length := cycles * known.cycle)
        passed = [(known.passages[number], times) for number, times in passages.items()]
        rest = cycles - sum(one.cycles * times for one, times in passed)
        grown = [(known.grows, rest), *((one.growth, times) for one, times in passed)]
        counting = []
        for index, (thing, name, value) in enumerate(portrait.counting):
            counting.append(value + sum(times * one.counting[index] for one, times in grown))
            setattr(thing, name, counting[-1])
        self.bench.board.answerer.leapt()
        if self.bench.host:
            self.bench.host.asker.leapt(self.bench.host.asker.seq)
        self.times += bool(cycles)
        self._awake = False  # what was told on the way touched nothing
        self._heard.clear()
        self._fresh.clear()
        counted = {id(one): _sum((growth.counted[index], times) for growth, times in grown)
                   for index, one in enumerate(self._listeners)}  # fmt: skip
        if not self._hands_over:  # its sequence numbers are as they were
            for one in counted.values():
                one.pop("requests", None)
        for listener in self.bench.trace.listeners:
            listener.leapt(length, counted.get(id(listener), {}))
        for listener in self._listeners:
            listener.panel_moved(self.bench.panel.said_at - said - length)
        self._playing = None
        if stopped:
            aside = self.clock.next_aside()
            self._playing = Playing(known, start, base + length, far, self._counts(counting),
                                    self.bench.board.queue.told, self._times(), aside[0] - start if aside else _NEVER)  # fmt: skip

    def _go(self, start: int, base: int, cycles: int, known: Known) -> tuple[int, Counter[int], bool]:
        """Make the calls aside of so many cycles, each at its tick, and what is done regularly. Returns how many cycles can
        be passed, which passages of the state on the way, and whether the next one is to be learned."""
        passages: Counter[int] = Counter()
        cycle, end, learns = known.cycle, cycles * known.cycle, True
        while True:
            marks, aside = self._marks(), self.clock.next_aside()
            due = min(aside[0] - start if aside else _NEVER, end + 1)
            first = min([due, *(mark - base for mark in marks)])
            if first > end:
                return cycles, passages, False
            what = ""
            if due <= min(end, first + LONGEST_PASSAGE):
                self.clock.ticks = start + due
                what = aside[1].touches()
                if what is None or (what and not self._hands_over):  # played, and what is regular only up to there
                    cycles, learns = (due - 1) // cycle, False
                    end = cycles * cycle
                    continue
            if due == first and what == "":
                self.clock.make_aside(aside[1])
                continue
            before = (first - 1) // cycle
            begun = base + before * cycle
            number = self._fitting(known, marks, begun, due - before * cycle if what else _NEVER)
            if number is None or before + known.passages[number].cycles > cycles:
                return before, passages, learns and number is None
            passage = known.passages[number]
            if what and due <= (before + passage.cycles) * cycle:
                self.clock.make_aside(aside[1])
                self._hand_over()
            self._set_times(begun, passage.times)
            passages[number] += 1

    def _fitting(self, known: Known, marks: list[int], begun: int, told: int) -> int | None:
        """The number of the passage that begins at that bench time: one of the same causes. `told`: when a reading is."""
        for number, passage in enumerate(known.passages):
            if passage.causes == _causes(marks, begun, passage.cycles * known.cycle, told):
                return number
        return None

    def _hand_over(self) -> None:
        """The host is told what the board has for it, by nobody and at once."""
        events = self.bench.board.queue.hand_over()
        for event in events:
            self.bench.host.take(event)
        for listener in self._listeners:
            listener.handed_over(events)


def _grown(after: dict, before: dict) -> dict:
    """What was counted between the two, as far as there was anything."""
    grown = {key: tuple(a - b for a, b in zip(value, before.get(key, (0,) * len(value)), strict=True))
             for key, value in after.items() if value != before.get(key)}  # fmt: skip
    return {key: more for key, more in grown.items() if any(more)}


def _causes(marks: Iterable[int], begun: int, length: int, told: int) -> frozenset[tuple[int, int]]:
    """What has a passage go as it does that begins at a bench time: marks of that length, and a reading."""
    times = ((number, mark - begun) for number, mark in [*enumerate(marks), (_READING, begun + told)])
    return frozenset((number, time) for number, time in times if 0 < time <= length)


def _sum(parts: Iterable[tuple[dict, int]]) -> dict:
    """Of counts, each taken so many times."""
    total: dict = {}
    for counted, times in parts:
        for key, more in counted.items():
            total[key] = tuple(a + times * b for a, b in zip(total.get(key, (0,) * len(more)), more, strict=True))
    return total


class _Watch:
    """Hears for `Leaps` what happens."""

    def __init__(self, leaps: Leaps):
        self._leaps = leaps

    def burst(self, burst: Burst) -> None:
        """Words are what a bench at rest says all the time."""

    def happening(self, happening: Happening) -> None:
        """Nothing happens at rest."""
        self._leaps.woken(happening.kind)

    def leapt(self, length: int, counted: dict) -> None:
        """Told to every listener: so many ticks were leapt over, in which it counted so much."""
