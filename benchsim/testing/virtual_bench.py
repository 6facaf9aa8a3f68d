"""A bench in virtual time: an hour passes as fast as the computer can count it, and each run is the same to the byte.

    with VirtualBench(seats=("host",)) as bench:
        reader, writer = bench.connect("kit")
        bench.start(my_host(reader, writer))
        bench.run_for(60)
        assert not bench.broken()
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path

from benchsim.bench import bench_links
from benchsim.clock import VirtualLoop
from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.judge import Judge
from benchsim.leaps import Leaps
from benchsim.testing.own_bench import OwnBench
from benchsim.testing.streams import connect

HOUR = 3600.0


class NotOver(Exception):
    """A scenario that waits for something that does not come, while the bench goes on."""


class VirtualBench(OwnBench):
    """See `OwnBench`. `within`: bench seconds after which one `run` is ended with `NotOver`.

    `leap`: quiet time is leapt over (`benchsim.leaps`): a month takes minutes. Every seat is simulated, or all but the host,
    which tells when it is at rest (`start`). Nothing of what was said is kept: verdicts, but no capture.
    """

    def __init__(self, bench: Path | str | None = None, *, seats: Iterable[str] = (), faults: Iterable[str] = (),
                 seed: int | None = None, name: str = "test", judge: bool = True, within: float = HOUR,
                 leap: bool = False):  # fmt: skip
        if leap and tuple(seats) not in ((), ("host",)):
            raise UsageError("leap: expected no seats of your own but the host: what they wait for cannot be known")
        self._runner = asyncio.Runner(loop_factory=VirtualLoop)
        self._loop = self._runner.get_loop()
        self._within = within
        self._tasks: list[asyncio.Task] = []
        self._rests: object = None  # whether the user's own host is at rest
        self._writers: list[asyncio.StreamWriter] = []
        self._body: asyncio.Task | None = None
        self._wrong: BaseException | None = None  # what ended the user's own code
        try:
            super().__init__(self._loop.clock, bench, seats, faults, seed, name, judge)
            if leap:
                self._judge = Judge(bench_links(self.book, self.lines), self.book, name, self.subject)
        except BaseException:
            self._runner.close()
            raise

    def begin(self) -> None:
        first = not self.on
        super().begin()
        if first and self._judge:
            Leaps(self, self._rests).start()

    def connect(self, link: str, seat: str | None = None) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """Take the user's own seat on a link: what is written is said there, what the others say can be read.

        The bus carries two bytes a word, as with `--exec`. UsageError where no seat of the user's own is.
        """
        seat, spec = self.seat_on(link, seat), self.book.links[link]
        reader, writer = connect(self.lines[link], seat, spec.asks == seat, spec.word.data_bits, self._loop)
        self._writers.append(writer)
        return reader, writer

    def start(self, code: Coroutine, rests: object = None) -> asyncio.Task:
        """Run a coroutine of the user's own beside all else. If it fails, so does the run that it fails in.

        `rests`: an object with a property `at_rest`, True while every poll of the host that the coroutine is would be like
        the last one if nobody did anything: nothing counted that matters later, no turns taken. With `leap` that is then
        leapt over; the coroutine's own time (`loop.time()`) stands still meanwhile, that of the test goes on. Before the
        first `run`. UsageError if quiet time is not leapt over, or another one said so.
        """
        if rests is not None:
            try:
                self._take_part(rests)
            except UsageError:
                code.close()
                raise
        task = self._loop.create_task(code) if rests is None else self._loop.run_at_rest(code)
        task.add_done_callback(self._ended)
        self._tasks.append(task)
        return task

    def _take_part(self, rests: object) -> None:
        if self._judge is None or self.on or self._rests is not None or not self.seats:
            raise UsageError("rests: expected a bench with leap=True and the host your own, once, before it runs")
        if not hasattr(rests, "at_rest"):
            raise UsageError(f"rests: {type(rests).__name__} has no at_rest, expected True or False of it")
        self._rests = rests

    def run(self, scenario: Callable, *args) -> object:
        __tracebackhide__ = True
        return self._play(scenario, args, self._within)

    def run_for(self, seconds: float) -> None:
        self._play(lambda _: self.clock.sleep(seconds), (), None)

    def _play(self, scenario: Callable, args: tuple, within: float | None) -> object:
        __tracebackhide__ = True
        return self._runner.run(self._body_of(scenario, args, within))

    async def _body_of(self, scenario: Callable, args: tuple, within: float | None) -> object:
        __tracebackhide__ = True  # for pytest: the user's own lines matter
        self._body = asyncio.current_task()
        self.begin()
        alarm = None
        if within is not None:
            late = NotOver(f"not over after {within:g} s of bench time: the test waits for what does not come")
            alarm = self.clock.call_far(self.clock.bench_time() + ticks(within), self._stop, late)
        result = waited = None
        try:
            result = await scenario(self, *args)
            await asyncio.sleep(0)  # what broke at the same moment is heard of
        except asyncio.CancelledError as cut:
            waited = cut  # its traceback tells where
            if self._wrong is None:
                raise
        finally:
            self._body = None
            if alarm:
                alarm.cancel()
        if self._wrong is not None:
            wrong, self._wrong = self._wrong, None
            raise wrong.with_traceback(waited.__traceback__) if isinstance(wrong, NotOver) and waited else wrong
        return result

    def _ended(self, task: asyncio.Task) -> None:
        if not task.cancelled() and task.exception() is not None:
            self._stop(task.exception())

    def _stop(self, why: BaseException) -> None:
        if self._wrong is None and not self.closed:
            self._wrong = why
            if self._body is not None:
                self._body.cancel()

    def shut(self) -> None:
        try:
            if self.on:
                self.finish()
            for task in self._tasks:
                task.cancel()
            for writer in self._writers:
                writer.close()
        finally:
            self._runner.close()
