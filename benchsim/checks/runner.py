"""Plays the cases of a plan: in virtual time one after another, against a real program several at once."""

import asyncio
import gc
from collections.abc import Callable

from benchsim.bench import Bench, bench_links
from benchsim.checks.result import CaseResult
from benchsim.checks.stage import Case, NotReached, Stage
from benchsim.clock import Clock, RealClock, run
from benchsim.clock.clocks import LATE
from benchsim.events import TICKS_PER_MS, TICKS_PER_US, ticks
from benchsim.judge import all_rules
from benchsim.ports import Program, PtyPort
from benchsim.schema import Book
from benchsim.seats.host import Host
from benchsim.settings import Settings

AT_ONCE = 4  # programs under test side by side: more would make each other late
GONE = ticks(3)
LONG_FIRST = ("stuck-touch",)

Told = Callable[[CaseResult], None]


def play_virtual(settings: Settings, book: Book, case: Case, seed: int, subject: str | None,
                 host_class: type[Host] = Host) -> CaseResult:  # fmt: skip
    """One case with every seat simulated."""
    result = CaseResult(case.name, case.provokes, subject)

    async def main(clock: Clock) -> None:
        bench = Bench(settings, book, clock, seed, case.name, host_class=host_class)
        await _play(bench, case, result)
        result.links = bench_links(book)

    run(main, virtual=True)
    result.judge(book)
    return result


async def _play(bench: Bench, case: Case, result: CaseResult) -> None:
    stage = Stage(bench)
    bench.trace.listeners.append(result)
    bench.trace.happening("bench", "case", name=case.name, provokes=case.provokes, subject=result.subject)
    bench.power_on()
    try:
        await case.play(stage)
    except NotReached as why:
        result.notes.append(f"not put to the test: {why}")
    finally:
        bench.trace.close()
        result.end = bench.clock.now()
        result.notes += stage.notes


class ProgramPlan:
    """Plays cases against a program that is started anew for each, on pseudo-terminals."""

    def __init__(self, settings: Settings, book: Book, seed: int, subject: str, words: list[str]):
        self.settings, self.book, self.seed, self.subject, self.words = settings, book, seed, subject, words
        named = [link for link in ("kit", "panel") if any("{%s}" % link in word for word in words)]
        self.links = named or ["kit"]
        self._hint = None if named else "the command names no link: without {kit} the program cannot find its port"

    def run(self, cases: list[Case], told: Told) -> tuple[list[CaseResult], bool]:
        """Results in the order of `cases`, and whether Ctrl-C cut the run short."""
        self._results: dict[str, CaseResult] = {}
        self._untested: dict[str, dict[str, str]] = {}  # case -> why no rule could be put to the test
        self._told = told
        gc.collect()
        gc.freeze()  # what is here already needs no looking through while time is measured
        interrupted = run(lambda clock: self._all(clock, cases), virtual=False)
        results = [self._results[c.name] for c in cases if c.name in self._results]
        for result in results:  # not before: judging would make the cases beside it late
            result.judge(self.book, self._untested.get(result.name))
        return results, interrupted

    async def _all(self, clock: RealClock, cases: list[Case]) -> bool:
        self._clock = clock
        room = asyncio.Semaphore(AT_ONCE)
        order = sorted(cases, key=lambda c: c.name not in LONG_FIRST)
        tasks = [asyncio.ensure_future(self._one(case, room)) for case in order]
        try:
            await asyncio.gather(*tasks)
        except asyncio.CancelledError:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            return True
        return False

    async def _one(self, case: Case, room: asyncio.Semaphore) -> None:
        lacking = [link for link in case.needs if link not in self.links]
        if lacking:
            self._leave_out(case, lacking[0])
            return
        async with room:
            result = CaseResult(case.name, case.provokes, self.subject)
            await self._against_program(case, result)

    def _finish(self, result: CaseResult) -> None:
        self._results[result.name] = result
        self._told(result)

    def _leave_out(self, case: Case, link: str) -> None:
        result = CaseResult(case.name, case.provokes, self.subject, bench_links(self.book))
        why = f"this case needs the {link} link, and the program under test was not given {{{link}}}"
        result.notes.append(why)
        self._untested[case.name] = {one.id: why for one in all_rules()}
        self._finish(result)

    async def _against_program(self, case: Case, result: CaseResult) -> None:
        clock = self._clock.begin_beside()
        bench = Bench(self.settings, self.book, clock, self.seed, case.name, real=frozenset((self.subject,)))
        clock.on_late = lambda late: bench.trace.happening("bench", "late", us=late // TICKS_PER_US)
        ports = {link: PtyPort(bench.lines[link], self.subject, out=True) for link in self.links}
        program = Program(self.words, {link: port.path for link, port in ports.items()})
        clock.forget_lateness()
        playing = asyncio.ensure_future(_play(bench, case, result))
        try:
            await self._while_it_lives(playing, program, clock)
        except asyncio.CancelledError:
            result.notes.append("cut short by Ctrl-C")
            raise
        finally:
            playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)
            if self._hint:
                result.notes.append(self._hint)
            ended = program.ended
            program.stop()
            clock.stop()
            for port in ports.values():
                port.close()
            if ended:
                result.notes.append(f"the program {ended}" + "".join(f"; it said: {w}" for w in program.last_words()))
            # Longer stalls are told as they happen, and doubted where they fall (`benchsim.judge.stalls`).
            result.links = bench_links(self.book, LATE + TICKS_PER_MS, frozenset(self.links))
            self._finish(result)

    @staticmethod
    async def _while_it_lives(playing: asyncio.Future, program: Program, clock: RealClock) -> None:
        """Until the case is over, or the program has been gone long enough for its silence to be judged."""
        gone_at = None
        while not playing.done():
            await asyncio.wait({playing}, timeout=0.25)
            if program.ended and gone_at is None:
                gone_at = clock.now()
            if gone_at is not None and clock.now() - gone_at > GONE:
                return
        await playing
