"""Plays a plan against a real subject: a program, several cases at once, or what sits on ports, one by one."""

import asyncio
import gc
from collections.abc import Callable
from pathlib import Path

from benchsim.bench import bench_links
from benchsim.checks.plans import Played
from benchsim.checks.result import CaseResult
from benchsim.checks.runner import bench_for, play
from benchsim.checks.stage import SUPPLY, Case, Plan
from benchsim.clock import RealClock, run
from benchsim.errors import UsageError
from benchsim.events import LinkInfo, ticks
from benchsim.judge import all_rules
from benchsim.lines import Line
from benchsim.ports import Port, Program, default_where, device_of, open_port, qualified
from benchsim.ports.power import PowerSwitch
from benchsim.ports.urgent import urgent
from benchsim.schema import Book
from benchsim.settings import Settings

AT_ONCE = 4  # programs under test side by side: more would make each other late
GONE = ticks(3)
SETTLES = 0.25  # seconds for the last words of the program before, which may still be on their way, to go unheard
OWN_EACH = ("pty", "pair-pty")  # of these every case gets one of its own; anything else there is once
COMES_BACK = 30.0  # seconds for an adapter that was pulled between two cases
LONG_FIRST = ("stuck-touch", "board-back", "host-back")

Told = Callable[[CaseResult], None]


class RealPlan:
    """Plays a plan against a real subject: what sits on ports, or a program started anew for each case.

    `where`: link -> WHERE (see `benchsim.ports.where`); `words`: the program's command, with
    the links it opens in braces. `person` asks somebody at a real device to act, `switch` switches its supply.
    `measured`: the bench file beside which stands what was measured of the ports.
    """

    def __init__(self, settings: Settings, book: Book, seed: int, plan: Plan, where: dict[str, str],
                 words: list[str] | None = None, person: Callable[[str], None] | None = None,
                 measured: Path | None = None, switch: PowerSwitch | None = None):  # fmt: skip
        self.settings, self.book, self.seed, self.plan = settings, book, seed, plan
        self.subject, self.words, self.person, self.measured = plan.seat, words, person, measured
        self.switch = switch
        self._hint = None
        if words and not where:
            self._hint = f"the command names no link: without {{{plan.links[0]}}} the program cannot find its port"
        first = plan.links[0]
        self.where = where or {first: default_where(book.links[first].word)}

    def run(self, cases: list[Played], told: Told) -> tuple[list[CaseResult], bool]:
        """Results in the order of `cases`, and whether Ctrl-C cut the run short."""
        self._results: dict[str, CaseResult] = {}
        self._told = told
        self._reached = False  # the ports could be opened, once
        gc.collect()
        gc.freeze()  # what is here already needs no looking through while time is measured
        with urgent():
            interrupted = run(lambda clock: self._all(clock, [case for _, case in cases]), virtual=False)
        results = [self._results[c.name] for _, c in cases if c.name in self._results]
        for result in results:  # not before: judging would make the cases beside it late
            result.judge(self.book)
        return results, interrupted

    @property
    def _own(self) -> bool:
        """Has every case wires of its own?"""
        return all(where in OWN_EACH for where in self.where.values())

    async def _all(self, clock: RealClock, cases: list[Case]) -> bool:
        self._clock = clock
        room = asyncio.Semaphore(AT_ONCE if self.words and self._own else 1)
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
        result = CaseResult(case.name, case.provokes, self.subject)
        why = self._why_not(case)
        if why:
            result.links = bench_links(self.book)
            result.left_out = why
            result.notes.append(why)
            result.reasons |= {one.id: why for one in all_rules()}
            self._finish(result)
            return
        for link in self.plan.links:
            if link not in self.where:
                unheard = f"the subject was not reached on the {link} link ({self._give(link)})"
                result.reasons |= {one.id: unheard for one in all_rules() if one.link == link}
        async with room:
            await self._until_there()
            try:
                await self._against_it(case, result)
            except UsageError as gone:
                if not self._reached:
                    raise
                self._not_measured(result, f"not there any more: {gone}")
                result.links = bench_links(self.book)
                self._finish(result)

    async def _until_there(self) -> None:
        """A device that was there before has a while to come back."""
        devices = [Path(path) for path in map(device_of, self.where.values()) if path and self._reached]
        until = self._clock.now() + ticks(COMES_BACK)
        while self._clock.now() < until and not all(path.exists() for path in devices):
            await self._clock.sleep(0.5)

    @staticmethod
    def _not_measured(result: CaseResult, why: str) -> None:
        result.notes.append(why)
        result.reasons |= {one.id: why for one in all_rules()}

    def _why_not(self, case: Case) -> str | None:
        lacking = next((link for link in case.needs if link not in self.where), None)
        if lacking:
            return f"this case needs the {lacking} link: {self._give(lacking)}"
        if case.hands == SUPPLY and not self.person and not self.switch:
            return 'its supply must be switched: --power "CMD {state}" does it, --hands asks a person to'
        if case.hands and case.hands != SUPPLY and not self.person:
            return "somebody must act at the device: --hands asks a person to"
        return None

    def _give(self, link: str) -> str:
        return f"name {{{link}}} in the command under test" if self.words else f"give --port {link}=WHERE"

    def _finish(self, result: CaseResult) -> None:
        self._results[result.name] = result
        self._told(result)

    def _ports(self, lines: dict[str, Line]) -> dict[str, Port]:
        """A port for each link: the subject asks there, or answers."""
        ports: dict[str, Port] = {}
        try:
            for link, where in self.where.items():
                spec = self.book.links[link]
                ports[link] = open_port(where, lines[link], self.subject, spec.asks == self.subject, spec.word)
                qualified.use(ports[link], where, self.measured)
        except UsageError:
            for port in ports.values():
                port.close()
            raise
        return ports

    async def _against_it(self, case: Case, result: CaseResult) -> None:
        clock = self._clock.begin_beside()
        real = frozenset((self.subject,))
        bench = bench_for(self.settings, self.book, clock, self.seed, self.plan, case, real=real)
        bench.reached = frozenset(self.where)
        ports = self._ports(bench.lines)
        program = await self._begun(ports)
        self._reached = True
        for port in ports.values():
            port.waited = program.waited if program else None
        clock.tell_late(bench.trace.late)
        playing = asyncio.ensure_future(play(bench, self.plan, case, result, self.person, self.switch))
        try:
            await self._while_it_lives(playing, program, clock)
        except asyncio.CancelledError:
            result.notes.append("cut short by Ctrl-C")
            raise
        finally:
            playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)
            result.notes += [self._hint] if self._hint else []
            ended = program and program.ended
            if program:
                program.stop()
            clock.stop()
            for port in ports.values():
                port.close()
            if ended:
                result.notes.append(f"the program {ended}" + "".join(f"; it said: {w}" for w in program.last_words()))
            if pulled := [link for link, port in ports.items() if port.pulled]:
                self._not_measured(result, f"the adapter of the {pulled[0]} link was pulled during this case")
            result.links = [self._heard(info, ports) for info in bench_links(self.book, bench.lines)]
            self._finish(result)

    async def _begun(self, ports: dict[str, Port]) -> Program | None:
        """Nothing of the case before is on its way any more, the subject has power, and its program, if any, runs."""
        try:
            if self.words and not self._own:
                await self._clock.sleep(SETTLES)
            # Once, before the first case: a switch that does nothing is told at once.
            if self.switch and not self._reached and (failed := await self.switch(True)):
                raise UsageError(f"--power: {failed}")
            return Program(self.words, {link: port.path for link, port in ports.items()}) if self.words else None
        except BaseException:
            for port in ports.values():
                port.close()
            raise

    @staticmethod
    def _heard(info: LinkInfo, ports: dict[str, Port]) -> LinkInfo:
        """How well a link was heard. Longer stalls are told as they happen, and doubted where they fall."""
        port = ports.get(info.name)
        if port is None:
            return info
        return info._replace(uncertainty=port.uncertainty, edges=False, chunks=port.chunks, note=port.note)

    @staticmethod
    async def _while_it_lives(playing: asyncio.Future, program: Program | None, clock: RealClock) -> None:
        """Until the case is over, or the program has been gone long enough for its silence to be judged."""
        gone_at = None
        while not playing.done():
            await asyncio.wait({playing}, timeout=0.25)
            if program and program.ended and gone_at is None:
                gone_at = clock.now()
            if gone_at is not None and clock.now() - gone_at > GONE:
                return
        await playing
