"""One live run: a bench with whoever is real on it, recorded as it goes, until its time is over or somebody ends it.

All that happens is written to a capture at once, and judged from there at the end: a run may be long, and what
was cut short by Ctrl-C is as whole as any other.
"""

import asyncio
import random
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from benchsim.bench import ENDS, Bench, bench_links
from benchsim.captures import Bound
from benchsim.checks.far_ends import excuse
from benchsim.checks.result import CaseResult
from benchsim.clock import Clock, run
from benchsim.clock.tidy import tidied
from benchsim.errors import UsageError
from benchsim.events import seconds, ticks
from benchsim.judge import Judge, all_rules
from benchsim.lines import Trace
from benchsim.live.customer import KEYS, Customer
from benchsim.live.on_the_way import Spoil, passed_words
from benchsim.live.orders import Orders
from benchsim.live.ports import heard_through, open_all, start_all
from benchsim.live.recording import BOUND, NAME, Recording
from benchsim.live.seating import Seating
from benchsim.live.visit import Visit
from benchsim.live.watch import EVENTS, Traffic, seat_states
from benchsim.ports.urgent import urgent
from benchsim.schema import Book
from benchsim.settings import Settings

QUIT = "q"


@dataclass
class Plan:
    """What is to happen by itself."""

    seconds: float | None = None  # None: until somebody ends it
    virtual: bool = False
    bound: Bound = BOUND  # of each capture
    spoils: list[Spoil] = field(default_factory=list)  # on the way through a tap
    presses: list[tuple[str, float]] = field(default_factory=list)  # key, seconds
    ready: list[str] = field(default_factory=list)  # faults that the keys 1 to 9 begin and end
    visit: bool = False  # a technician's


class Session:
    """`run` once, then `judged`. Each of `looks` is entered (`on`) with the bench and looks on: it gets `event` for
    each line worth telling and `second` each second.
    """

    def __init__(self, settings: Settings, book: Book, seed: int, seating: Seating, plan: Plan, files: list[Path],
                 looks: list, measured: Path | None = None):  # fmt: skip
        self.settings, self.book, self.seed, self.seating, self.plan = settings, book, seed, seating, plan
        self.files, self.looks, self.measured = files, looks, measured
        self.subject = next(iter(seating.real)) if len(seating.real) == 1 else None
        self.recordings: list[Recording] = []  # one, or for a tap one for each side
        self.notes: list[str] = []

    def run(self) -> bool:
        """Play it. True if Ctrl-C ended it."""
        if self.plan.virtual:
            return run(self._main, virtual=True)
        with urgent():
            return run(self._main, virtual=False)

    async def _main(self, clock: Clock) -> bool:
        self.clock, self._over = clock, asyncio.get_running_loop().create_future()
        tapped = self.seating.tapped
        self.bench = bench = Bench(self.settings, self.book, clock, self.seed, NAME, self.seating.real, tapped=tapped)
        self.customer, self._orders = Customer(bench), Orders(self)
        with ExitStack() as after:
            self.ports = open_all(self.seating.chairs, bench.lines, self.book, self.measured)
            for port in self.ports.values():
                after.callback(port.close)
            self.recordings = [self._recording(trace) for trace in dict.fromkeys(bench.traces.values())]
            for recording in self.recordings:
                recording.begin(after, self._reasons())
            if not clock.virtual:
                after.enter_context(tidied(clock))
            programs = start_all(self.seating.programs, self.ports)
            for program in programs:
                after.callback(program.stop)
            clock.tell_late(self._late)
            self._prepare()
            bench.power_on()
            interrupted = await self._until_the_end()
            for recording in self.recordings:
                recording.gone.close()
            self._last_words(programs)
            await clock.sleep(0)  # what is due now is still told
        return interrupted

    def _recording(self, trace: Trace) -> Recording:
        """Of one side of a tap, or of the whole bench."""
        parties = [party for party, its in self.bench.traces.items() if its is trace]
        known = {info.name: info for info in bench_links(self.book)}
        links, seats = [], set()
        for link, ends in ENDS.items():
            here = [asks for asks, end in zip((True, False), ends, strict=True) if end in parties]
            at = [(chair, port) for chair, port in self.ports.items() if chair.link == link and chair.asks(self.book) in here]
            if here:
                links.append(heard_through(known[link], [port for _, port in at], real=not self.clock.virtual))
                seats.update(seat for chair, _ in at for seat in chair.seats)
        whole = len(set(self.bench.traces.values())) == 1
        end = "" if whole else "-".join(sorted(seats)) or parties[0]
        files = [path.with_stem(f"{path.stem}-{end}") if end else path for path in self.files]
        return Recording(self.clock, trace, links, self.book, frozenset(seats), files, self._event, end, self.plan.bound)

    def _late(self, late: int) -> None:
        for recording in self.recordings:
            recording.trace.late(late)

    async def _until_the_end(self) -> bool:
        self.clock.call_at(ticks(1), self._second, 1)
        with ExitStack() as looking:
            for look in self.looks:
                looking.enter_context(look.on(self))
            try:
                if self.plan.seconds is not None:
                    self.clock.call_at(ticks(self.plan.seconds), self.end)
                await self._over
            except asyncio.CancelledError:
                self.notes.append(f"ended by Ctrl-C after {seconds(self.clock.now()):.1f} s")
                return True
        return False

    def _event(self, time_s: float, line: str) -> None:
        for look in self.looks:
            look.event(time_s, line)

    def _second(self, number: int) -> None:
        if not self._over.done():
            for recording in self.recordings:
                recording.watch.second()
            for look in self.looks:
                look.second(self)
            self.clock.call_at(ticks(number + 1), self._second, number + 1)

    def end(self) -> None:
        """It is enough."""
        if not self._over.done():
            self._over.set_result(None)

    def press(self, key: str) -> None:
        """A key, from whomever. One that means nothing is not heard."""
        if key == QUIT:
            self.end()
        elif key in self.ready():
            self.tell(self._orders.toggle(self.ready()[key]))
        elif key in KEYS:
            self.tell(KEYS[key][1](self.customer))

    def _prepare(self) -> None:
        """What happens by itself."""
        for spoil in self.plan.spoils:
            self.clock.call_at(ticks(spoil.at), self._spoil, spoil, True)
            if spoil.lasts is not None:
                self.clock.call_at(ticks(spoil.at + spoil.lasts), self._spoil, spoil, False)
        if self.plan.visit:
            Visit(self.bench, random.Random(f"{self.seed}/visit"))
        for key, at in self.plan.presses:
            self.clock.call_at(ticks(at), self.press, key)

    def _spoil(self, spoil: Spoil, on: bool) -> None:
        spoil.switch(self.bench, on)
        self.recordings[0].trace.happening("bench", "fault", name=spoil.name, on=on)

    def _last_words(self, programs) -> None:
        for program in programs:
            if program.ended:
                self.notes.append(f"a program {program.ended}" + "".join(f"; it said: {w}" for w in program.last_words()))

    def _reasons(self) -> dict:
        unheard = {
            link: f"the {seat} was not reached on the {link} link (give --port {link}:{seat}=WHERE)"
            for link, seat in self.seating.unreached().items()
        }
        reasons = {one.id: unheard[one.link] for one in all_rules() if one.link in unheard}
        return {"reasons": reasons} if reasons else {}

    # ---- for who looks on

    def ready(self) -> dict[str, str]:
        """Faults by the keys that begin and end them."""
        return {str(number): fault for number, fault in enumerate(self.plan.ready, 1)}

    def tell(self, line: str) -> None:
        """Something to be read by people, now."""
        self.recordings[0].watch.tell(self.clock.now(), line)

    def traffic(self) -> dict[str, Traffic]:
        """Of every link, by name; of both ends of one that is tapped."""
        return {
            f"{link} at the end of {one.end}" if link in self.seating.tapped else link: traffic
            for one in self.recordings for link, traffic in one.watch.traffic.items()
        }  # fmt: skip

    def stalls(self) -> int:
        """Ticks for which the bench's own computer stood still, in all."""
        return max(one.watch.stalls for one in self.recordings)

    def disk(self) -> tuple[int, int]:
        """Bytes that the captures take by now, and at most."""
        writers = [writer for one in self.recordings for writer in one.writers]
        return sum(one.size for one in writers), sum(one.bound.size * one.bound.parts for one in writers)

    def events(self) -> list[tuple[float, str]]:
        """The last ones worth telling: seconds, line."""
        return sorted(told for one in self.recordings for told in one.watch.last)[-EVENTS:]

    def verdicts(self) -> dict[tuple[str, str], tuple[str, Judge]]:
        """How verdicts would come out by now, by (rule, seat), and who would say so."""
        return {
            key: (outcome, one.watch.judge) for one in self.recordings for key, outcome in one.watch.judge.outcomes().items()
        }

    def active(self) -> list[str]:
        """Faults that last just now."""
        now = seconds(self.clock.now())
        spoils = [spoil.text for spoil in self.plan.spoils if spoil.there(now)]
        return [fault.text for fault in self.settings.faults if fault.there(now)] + spoils

    def states(self) -> dict[str, str]:
        """Every seat and how it is."""
        told: dict[str, list[str]] = {}
        for chair, port in self.ports.items():
            lost = f", {port.lost} bytes not taken" if port.lost else ""
            told.setdefault(chair.who, []).append(f"{port.path} {'there' if port.there else 'AWAY'}{lost}")
        return seat_states(self.bench, {seat: "; ".join(words) for seat, words in told.items()})

    # ---- afterwards

    def captures(self) -> list[str]:
        """Names of the files that the verdicts are made from."""
        return [part.name for recording in self.recordings for part in recording.writers[0].parts]

    def judged(self) -> list[CaseResult]:
        """What the rules say of each recording."""
        # Of a link that is tapped both ends are recorded.
        one_ended = [fault for fault in self.settings.faults if not set(fault.needs) & self.seating.tapped]
        results = [recording.judged() for recording in self.recordings]
        for result in results:
            result.notes += self.notes
            excuse(result, one_ended, self.book)
        results[0].notes += passed_words(self.bench)
        return results


def parse_press(text: str) -> tuple[str, float]:
    """KEY@SECONDS. UsageError names the option that makes no sense."""
    key, _, at = text.partition("@")
    try:
        when = float(at)
    except ValueError:
        when = -1.0
    if key not in KEYS or not 0 <= when < 1e9:
        keys = ", ".join(f"{key} {what}" for key, (what, _) in KEYS.items())
        raise UsageError(f"--press {text}: expected KEY@SECONDS, KEY one of {keys}")
    return key, when


