"""A bench in real time on pseudo-terminals, for code that opens ports, blocks or is no Python at all.

    with PtyBench(seats=("host",)) as bench:
        bench.start("./my-host {kit}")
        bench.run_for(10)
        assert not bench.broken()

It runs in a thread of its own, so that a test may block. Whatever is called on its seats goes through `call` or a
scenario (`run`): they are not made for two threads.
"""

import asyncio
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from contextlib import ExitStack
from pathlib import Path

from benchsim.bench import SIDES, bench_links
from benchsim.clock import RealClock, run
from benchsim.errors import UsageError
from benchsim.live.ports import heard_through, open_all
from benchsim.live.seating import Chair, every_name
from benchsim.ports import Port, Program, default_where, split_command
from benchsim.ports.urgent import urgent
from benchsim.testing.own_bench import OwnBench

ENDS_WITHIN = 10.0  # seconds that the bench's thread may take to end


class PtyBench(OwnBench):
    """See `OwnBench`. `paths`: what to open in place of a serial port, by link, and by LINK:SEAT on the bus."""

    def __init__(self, bench: Path | str | None = None, *, seats: Iterable[str] = ("host",),
                 faults: Iterable[str] = (), seed: int | None = None, name: str = "test", judge: bool = True):  # fmt: skip
        self._programs: list[Program] = []
        self._ports: dict[Chair, Port] = {}
        self.on = False
        self.paths: dict[str, str] = {}
        ready: Future[RealClock] = Future()
        self._thread = threading.Thread(target=self._live, args=(ready,), name="benchsim", daemon=True)
        self._thread.start()
        clock = ready.result()
        try:
            super().__init__(clock, bench, seats, faults, seed, name, judge)
            self.call(self._open)
        except BaseException:
            self._end_thread()
            raise

    def start(self, command: str) -> Program:
        """Start a program under test; {kit}, {bus} and so on become the paths of its ports."""
        words = split_command(command, set(every_name()))
        unknown = [word for word in words if word.startswith("{") and word.endswith("}") and word[1:-1] not in self.paths]
        if unknown:
            raise UsageError(f"{command}: nobody of {', '.join(self.seats)} sits at {unknown[0]}")
        program = Program(words, self.paths)
        self._programs.append(program)
        for chair, port in self._ports.items():
            if any(f"{{{name}}}" in word for name in (chair.link, chair.name) for word in words):
                port.waited = program.waited
        return program

    def call(self, what: Callable, *args) -> object:
        """Call `what(*args)` where the bench runs, and return what it returns."""

        async def there():
            return what(*args)

        return self._do(there())

    def run(self, scenario: Callable, *args) -> object:
        __tracebackhide__ = True  # for pytest: the user's own lines matter

        async def body():
            __tracebackhide__ = True
            self.begin()
            return await scenario(self, *args)

        return self._do(body())

    def heard(self):
        return [
            heard_through(info, [port for chair, port in self._ports.items() if chair.link == info.name])
            for info in bench_links(self.book, self.lines)
        ]

    # ---- inside

    def _live(self, ready: Future) -> None:
        async def main(clock: RealClock) -> None:
            self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
            ready.set_result(clock)
            try:
                await self._over.wait()
            finally:  # also when something timed has broken the simulation
                self._hang_up(clock)

        try:
            with urgent():
                run(main, virtual=False)
        except BaseException as broken:
            self._broke = broken

    def _do(self, body) -> object:
        __tracebackhide__ = True
        if not self._thread.is_alive():
            body.close()
            raise getattr(self, "_broke", None) or RuntimeError("this bench is over")
        future = asyncio.run_coroutine_threadsafe(body, self._loop)
        while True:
            try:
                return future.result(timeout=0.5)
            except TimeoutError:
                if future.done() and future.exception() is not None:
                    raise  # the scenario's own
                if not self._thread.is_alive():
                    raise getattr(self, "_broke", None) or RuntimeError("this bench is over") from None
            except BaseException:
                future.cancel()
                raise

    def _open(self) -> None:
        chairs = [
            Chair(link, seat, default_where(self.book.links[link].word), f"{link}:{seat}")
            for link, there in SIDES.items()
            for seat in there
            if seat in self.real
        ]
        self._ports = open_all(chairs, self.lines, self.book, None)
        for chair, port in self._ports.items():
            self.paths[chair.name] = port.path
            if sum(other.link == chair.link for other in self._ports) == 1:
                self.paths[chair.link] = port.path
        self.clock.tell_late(self.trace.late)

    def shut(self) -> None:
        with ExitStack() as after:
            for program in self._programs:
                after.callback(program.stop)
            after.callback(self._end_thread)  # first of all: what the end of a program does to a port is nobody's fault
            for program in self._programs:
                if program.ended:
                    said = "".join(f"; it said: {words}" for words in program.last_words())
                    self.result.notes.append(f"a program {program.ended}{said}")

    def _hang_up(self, clock: RealClock) -> None:
        if self.on:
            self.finish()
        for port in self._ports.values():
            port.close()
        clock.stop()

    def _end_thread(self) -> None:
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._over.set)
            self._thread.join(ENDS_WITHIN)
