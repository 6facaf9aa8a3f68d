"""What benches for test code have in common: who sits there, what befalls the bench, what is judged in the end."""

from collections.abc import Callable, Iterable
from pathlib import Path

from benchsim.bench import SEATS, SIDES, Bench, bench_links
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.far_ends import excuse
from benchsim.checks.host_stage import HostStage
from benchsim.checks.result import CaseResult
from benchsim.checks.stage import Stage
from benchsim.clock import Clock
from benchsim.errors import UsageError
from benchsim.faults import Fault, refuse_real
from benchsim.judge import Judge, Verdict
from benchsim.live.customer import Customer
from benchsim.settings import load_settings

PROVOKES = "A test of the user's own"


class OwnBench(Bench):
    """A whole bench on which `seats` are the user's own. All that happens is kept; `close` judges it by every rule.

    `bench`: a bench file, None for the demo bench. `faults`: what goes wrong and when, as `--fault` has it
    ("kit-cable-unplugged@3+0.5"), beside those of the file. `seed`: in place of the bench file's. `name`: of the case; it
    goes into everything that happens by chance. `judge`: shall a test fail by what the rules find? UsageError for what
    makes no sense.
    """

    def __init__(self, clock: Clock, bench: Path | str | None, seats: Iterable[str], faults: Iterable[str],
                 seed: int | None, name: str, judge: bool):  # fmt: skip
        self.judged = judge
        settings = load_settings(Path(bench) if bench else None)
        settings = settings.with_faults(faults)
        self.seed = settings.seed if seed is None else seed
        self.seats = tuple(seats)
        for seat in self.seats:
            if seat not in SEATS:
                raise UsageError(f"seats: no seat {seat!r}, expected some of {', '.join(SEATS)}")
        super().__init__(settings, settings.book(), clock, self.seed, name, frozenset(self.seats))
        refuse_real(self.faults, self.seats)
        self.subject = self.seats[0] if len(self.seats) == 1 else None
        self.result = CaseResult(name, PROVOKES, self.subject)
        self.on = self.closed = False
        self._judge: Judge | None = None  # one that listens while it goes on, where events are not kept
        self._stage: Stage | None = None
        self._customer: Customer | None = None

    @property
    def real(self) -> frozenset[str]:
        """The user's own seats."""
        return frozenset(self.seats)

    @property
    def kept(self) -> bool:
        """Is what was said kept, for a capture and for the eye?"""
        return self._judge is None

    @property
    def faults(self) -> list[Fault]:
        """What goes wrong, of the bench file and of this test."""
        return self.settings.faults

    @property
    def customer(self) -> Customer:
        """Hands: coin, bill, card, lever, tap, door, each with what is taken at that moment."""
        if self._customer is None:
            self._customer = Customer(self)
        return self._customer

    @property
    def stage(self) -> Stage:
        """Customers and mishaps as the cases of the plans use them: around a board of the user's own a `BoardStage`,
        otherwise a `HostStage`.
        """
        if self._stage is None:
            self._stage = BoardStage(self) if self.board is None else HostStage(self)
        return self._stage

    async def play(self, case: str) -> None:
        """Play a case of the plan for the user's seat, by its name."""
        from benchsim.checks.plans import PLANS  # only here: all plans take as long to import as all rules

        plan = PLANS.get(self.subject or "")
        if plan is None or plan.alone:
            raise UsageError(f"play({case!r}): expected one seat of the user's own, the host or the board")
        if case not in plan.cases:
            raise UsageError(f"play({case!r}): expected one of {', '.join(plan.cases)}")
        if plan.cases[case].seats:
            raise UsageError(f"play({case!r}): this case wants other devices; play it with benchsim check --case {case}")
        await plan.cases[case].play(self.stage)

    def seat_on(self, link: str, seat: str | None = None) -> str:
        """The user's own seat on a link, `seat` where there are several. UsageError if there is none."""
        if link not in SIDES:
            raise UsageError(f"no link {link!r}, expected one of {', '.join(SIDES)}")
        there = [one for one in self.seats if one in SIDES[link]]
        if seat in there or (seat is None and len(there) == 1):
            return seat or there[0]
        fitting = f"of seats {', '.join(map(repr, there))}" if there else f"seats=({SIDES[link][0]!r},) or another seat there"
        raise UsageError(f"{seat or 'nobody'} sits on the {link} link as the user's own, expected one {fitting}")

    def begin(self) -> None:
        """Mains on, once."""
        if self.on:
            return
        self.on = True
        self.trace.listeners.append(self._judge or self.result)
        self.trace.happening("bench", "case", name=self.result.name, provokes=PROVOKES, subject=self.subject)
        self.power_on()

    def finish(self) -> None:
        """No more is told from here on."""
        self.trace.close()
        self.result.end = self.clock.bench_time()
        self.result.links = self.heard()
        if self._stage is not None:
            self.result.notes += self._stage.notes
            self.result.reasons |= self._stage.reasons

    def heard(self):
        """The links, and how well each was heard."""
        return bench_links(self.book, self.lines)

    def verdicts(self) -> list[Verdict]:
        """Every verdict on the user's own seats, or on all if none is. It is over then: no time passes any more."""
        self.close()
        return self.result.verdicts

    def broken(self) -> list[Verdict]:
        """Those of them that failed."""
        return [verdict for verdict in self.verdicts() if verdict.outcome == "fail"]

    def close(self) -> None:
        """The end: everything is before the rules, if anything was played. Harmless twice."""
        if self.closed:
            return
        self.closed = True
        self.shut()
        if self.on:
            if self._judge:
                self._judge.close(self.clock.now())
                self.result.judged_by(self._judge)
            else:
                self.result.judge(self.book)
            excuse(self.result, self.faults, self.book)
        if self.seats and self.subject is None:
            self.result.verdicts = [one for one in self.result.verdicts if one.judged in self.real]

    def shut(self) -> None:
        """Tell no more, let go of everything."""
        raise NotImplementedError

    def run(self, scenario: Callable, *args) -> object:
        """Play the coroutine function `scenario(bench, *args)` and return what it returns."""
        raise NotImplementedError

    def run_for(self, seconds: float) -> None:
        """Let bench time pass."""
        self.run(lambda _: self.clock.sleep(seconds))

    def __enter__(self):
        return self

    def __exit__(self, *exc) -> None:
        self.close()
