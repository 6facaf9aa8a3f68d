"""Which plan tests which seat."""

from benchsim.checks.demo_plan import PLAN as DEMO
from benchsim.checks.host_plan import PLAN as HOST
from benchsim.checks.stage import Case
from benchsim.errors import UsageError

PLANS = {"host": HOST}


def plan_for(seat: str | None) -> dict[str, Case]:
    """The cases for a seat; with None all of them, the demo first."""
    if seat is None:
        return DEMO | {name: case for plan in PLANS.values() for name, case in plan.items()}
    if seat not in PLANS:
        raise UsageError(f"--test {seat}: expected a seat that has a plan: {', '.join(PLANS)}")
    return PLANS[seat]


def subject_of(case: Case, test: str | None) -> str | None:
    """Whose verdicts a case gives: everybody's in the demo, otherwise the seat that its plan is for."""
    if test is not None:
        return test
    return next((seat for seat, plan in PLANS.items() if case.name in plan), None)


def pick(plan: dict[str, Case], names: list[str] | None) -> list[Case]:
    """The wanted cases; UsageError for a name that the plan does not have."""
    for name in names or ():
        if name not in plan:
            raise UsageError(f"--case {name}: expected one of {', '.join(plan)}")
    return [case for case in plan.values() if not names or case.name in names]
