"""Plays the cases of a plan with every seat simulated, in virtual time."""

from collections.abc import Callable, Iterator
from functools import partial

from benchsim.bench import Bench, DeviceBench, bench_links
from benchsim.checks.plans import Played, plan_of
from benchsim.checks.result import CaseResult
from benchsim.checks.stage import Case, NotReached, Plan
from benchsim.checks.workers import spread
from benchsim.clock import Clock, run
from benchsim.schema import Book
from benchsim.settings import Settings


def play_virtual(settings: Settings, book: Book, plan: Plan, case: Case, seed: int,
                 classes: dict[str, type] | None = None, rules: tuple[str, ...] | None = None) -> CaseResult:  # fmt: skip
    """One case with every seat simulated. `classes`: other classes for seats; `rules`: judge by these only."""
    result = CaseResult(case.name, case.provokes, plan.seat)

    async def main(clock: Clock) -> None:
        bench = bench_for(settings, book, clock, seed, plan, case, classes=classes)
        await play(bench, plan, case, result)
        result.links = bench_links(book, bench.lines)

    run(main, virtual=True)
    result.judge(book, rules=rules)
    return result


def play_plan(settings: Settings, cases: list[Played], seed: int, workers: int = 0) -> Iterator[CaseResult]:
    """All cases with every seat simulated, in order, spread over processes (see `workers.spread`)."""
    return spread(partial(_play_named, settings, seed), [(plan.seat, case.name) for plan, case in cases], workers)


def _play_named(settings: Settings, seed: int, named: tuple[str | None, str]) -> CaseResult:
    seat, name = named
    plan = plan_of(seat, name)
    return play_virtual(settings, settings.book(), plan, plan.cases[name], seed)


def bench_for(
    settings: Settings, book: Book, clock: Clock, seed: int, plan: Plan, case: Case, **which
) -> Bench | DeviceBench:
    """The bench that a case wants; `which`: see `real` and `classes` of a bench."""
    settings = settings.with_seats(case.seats)
    if plan.alone:
        return DeviceBench(settings, book, clock, seed, case.name, plan.seat, **which)
    return Bench(settings, book, clock, seed, case.name, **which)


async def play(bench: Bench | DeviceBench, plan: Plan, case: Case, result: CaseResult,
               person: Callable[[str], None] | None = None, switch: Callable | None = None) -> None:  # fmt: skip
    """Play a case and keep what happens. `person`, `switch`: see `Stage`."""
    stage = plan.stage(bench, person, switch)
    bench.trace.listeners.append(result)
    real = {} if bench.reached is None else {"real": True}
    bench.trace.happening("bench", "case", name=case.name, provokes=case.provokes, subject=result.subject, **real)
    bench.power_on()
    try:
        await case.play(stage)
    except NotReached as why:
        result.notes.append(f"not put to the test: {why}")
    finally:
        bench.trace.close()
        result.end = bench.clock.now()
        result.notes += stage.notes
        result.reasons |= stage.reasons
