"""One piece of work of a sweep: a card and a seed. What it gives depends on nothing else."""

import json
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

from benchsim.bench import START_UTC, Bench, bench_links
from benchsim.clock import Clock, run
from benchsim.faults import Fault, load_cards
from benchsim.judge import Judge
from benchsim.live.recording import NAME
from benchsim.live.visit import LENGTH, Visit
from benchsim.settings import Settings
from benchsim.sweeps.observe import Observer

HEALTHY = "healthy"  # in place of a card: nothing is wrong


class Job(NamedTuple):
    """A card (or several with a plus between, or `HEALTHY`) and a seed."""

    cards: str
    seed: int


@dataclass(frozen=True)
class Result:
    """What was seen of one piece of work."""

    job: Job
    chosen: str  # parameters, JSON
    seen: str  # observables, JSON

    @property
    def values(self) -> dict[str, str]:
        """The observables."""
        return json.loads(self.seen)


def jobs(cards: list[str], first: int, seeds: int) -> list[Job]:
    """Every card with every seed; seed by seed, so that a sweep that was broken off has something of every card."""
    return [Job(card, seed) for seed in range(first, first + seeds) for card in cards]


def laid(settings: Settings, job: Job) -> list[Fault]:
    """The faults of a piece of work, their parameters drawn by the seed."""
    rng = random.Random(f"{job.seed}/{job.cards}/parameters")
    known = load_cards()
    names = [] if job.cards == HEALTHY else job.cards.split("+")
    return [Fault(known[name], known[name].draw(rng, settings)) for name in names]


def work(settings: Settings, job: Job) -> Result:
    """Play a visit with the faults of this piece of work, and say what was seen."""
    faults = laid(settings, job)
    seen = observed(replace(settings, faults=[*settings.faults, *faults]), job.seed)
    chosen = [{"card": fault.card.id, **fault.chosen} for fault in faults]
    return Result(job, json.dumps(chosen, sort_keys=True), json.dumps(seen, sort_keys=True))


def observed(settings: Settings, seed: int) -> dict[str, str]:
    """What a visit at a bench shows."""
    observers: list[Observer] = []
    judged(settings, seed, None, lambda judge: observers.append(Observer(judge, settings, START_UTC)))
    return observers[0].seen()


def judged(settings: Settings, seed: int, rules: tuple[str, ...] | None = None,
           begun: Callable[[Judge], None] = lambda judge: None) -> Judge:  # fmt: skip
    """A visit at a bench, as `benchsim run --virtual --visit` plays it, put before the rules (all, or the named ones)."""
    book = settings.book()
    judge = Judge(bench_links(book), book, rules=rules)
    begun(judge)

    async def main(clock: Clock) -> None:
        bench = Bench(settings, book, clock, seed, NAME)
        bench.trace.listeners.append(judge)
        bench.trace.happening("bench", "case", name=NAME, provokes="a technician's visit", subject=None)
        Visit(bench, random.Random(f"{seed}/visit"))
        bench.power_on()
        await clock.sleep(LENGTH)
        bench.trace.close()
        judge.close(clock.now())

    run(main, virtual=True)
    return judge
