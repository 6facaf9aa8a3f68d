"""The self-test of the plans: every wrong variant must be caught by its rule, no legal one may be accused.

    wrong variant  its own case, over all seeds      caught: its rule failed each time
    legal variant  four cases of its plan, with each further seed one more, in turn
"""

from collections.abc import Callable, Iterator
from functools import partial
from itertools import cycle, islice
from typing import NamedTuple

from benchsim.checks.plans import PLANS
from benchsim.checks.runner import play_virtual
from benchsim.checks.stage import Case, Plan, Variant
from benchsim.checks.workers import spread
from benchsim.settings import Settings

Told = Callable[[int, int], None]  # runs done, runs in all
AT_FIRST = 4  # cases of its plan that a legal variant plays with the first seed
ACCUSED = ("fail", "unsure", "warn")


class _Run(NamedTuple):
    seat: str
    variant: int  # its place in the plan
    case: str
    seed: int


def run_selftest(settings: Settings, seed: int, seeds: int = 1, workers: int = 0, told: Told | None = None,
                 seats: tuple[str, ...] = ()) -> tuple[list[dict], list[dict]]:  # fmt: skip
    """Play every variant of every plan (or of `seats`) with `seeds` seeds from `seed` on.

    Returns two tables: wrong variants (variant, seat, rule, caught, seeds, missed) and legal ones (variant,
    seat, failed, seeds), in the order of the plans whatever the workers do. `workers` 0: as many as there
    are processors; 1: in this process.
    """
    wrong, legal = {}, {}
    for plan in PLANS.values():
        for i, variant in enumerate(plan.variants):
            if not seats or plan.seat in seats:
                row = {"variant": variant.title, "seat": variant.seat}
                if variant.rule:
                    wrong[plan.seat, i] = row | {"rule": variant.rule, "caught": True, "seeds": seeds, "missed": []}
                else:
                    legal[plan.seat, i] = row | {"failed": [], "seeds": seeds}
    runs = [run for key in [*wrong, *legal] for run in _runs(*key, seed, seeds)]
    found_in_order = spread(partial(_play, settings), runs, workers)
    for done, (run, found) in enumerate(zip(runs, found_in_order, strict=True), 1):
        key = run.seat, run.variant
        if key in wrong and not found:
            wrong[key]["missed"].append(run.seed)
            wrong[key]["caught"] = False
        elif key in legal:
            legal[key]["failed"] += [f"{rule} in {run.case}, seed {run.seed}" for rule in found]
        if told:
            told(done, len(runs))
    return list(wrong.values()), list(legal.values())


def _runs(seat: str, i: int, seed: int, seeds: int) -> Iterator[_Run]:
    plan = PLANS[seat]
    variant = plan.variants[i]
    names = list(plan.cases)
    turn = cycle(names[(i * AT_FIRST + k) % len(names)] for k in range(len(names)))  # no two begin at the same case
    for n in range(seeds):
        many = AT_FIRST if n == 0 else 1
        for case in [variant.case] if variant.case else islice(turn, min(many, len(names))):
            yield _Run(seat, i, case, seed + n)


def _play(settings: Settings, run: _Run) -> list[str]:
    plan: Plan = PLANS[run.seat]
    variant: Variant = plan.variants[run.variant]
    case: Case = plan.cases[run.case]
    rules = (variant.rule,) if variant.rule else None
    result = play_virtual(settings, settings.book(), plan, case, run.seed, {variant.seat: variant.make}, rules)
    against = ("fail", "warn") if variant.rule else ACCUSED  # some rules can only warn
    return [v.rule for v in result.verdicts if v.outcome in against]
