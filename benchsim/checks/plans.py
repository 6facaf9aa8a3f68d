"""Which plan tests which seat."""

from difflib import get_close_matches

from benchsim.checks import (
    auditor_plan,
    board_plan,
    cashless_plan,
    changer_plan,
    demo_plan,
    gateway_plan,
    handover,
    handover_host,
    host_plan,
    panel_plan,
    satellite_plan,
    validator_plan,
)  # fmt: skip
from benchsim.checks.handover_steps import NAME
from benchsim.checks.stage import Case, Plan
from benchsim.errors import UsageError

_PLANS = (
    host_plan.PLAN, board_plan.PLAN, changer_plan.PLAN, validator_plan.PLAN, cashless_plan.PLAN, cashless_plan.PLAN2,
    gateway_plan.PLAN, *satellite_plan.PLANS, auditor_plan.PLAN,
    panel_plan.PLAN,
)  # fmt: skip
PLANS: dict[str, Plan] = {plan.seat: plan for plan in _PLANS}
COMMISSIONING = handover.PLANS | {"host": handover_host.PLAN}  # played only where they are asked for by name
Played = tuple[Plan, Case]
MOST_NAMED = 8  # cases in one line of an error


def plan_of(seat: str | None, name: str = "") -> Plan:
    """The plan for a seat that has a case of that name; for None the demo's."""
    if name == NAME:
        return COMMISSIONING[seat]
    return demo_plan.PLAN if seat is None else PLANS[seat]


def plan_for(seat: str | None, names: list[str] | None = None) -> list[Played]:
    """The cases for a seat, each with its plan; with None those of all plans, the demo first. A commissioning is
    there only if it is among the `names` asked for.
    """
    if NAME in (names or ()) and seat in COMMISSIONING:
        return [*plan_for(seat), (COMMISSIONING[seat], COMMISSIONING[seat].cases[NAME])]
    if seat is None:
        return [(plan, case) for plan in (demo_plan.PLAN, *PLANS.values()) for case in plan.cases.values()]
    if seat not in PLANS:
        raise UsageError(f"--test {seat}: expected a seat that has a plan: {', '.join(PLANS)}")
    return [(PLANS[seat], case) for case in PLANS[seat].cases.values()]


def pick(plan: list[Played], names: list[str] | None) -> list[Played]:
    """The wanted cases; UsageError for a name that the plan does not have."""
    known = dict.fromkeys(case.name for _, case in plan)
    for name in names or ():
        if name not in known:
            raise UsageError(f"--case {name}: no such case, expected {_like(name, list(known))} (lists: benchsim seats SEAT)")
    return [(plan, case) for plan, case in plan if not names or case.name in names]


def _like(name: str, known: list[str]) -> str:
    """All cases of a short plan, or those whose names are most like it."""
    if len(known) <= MOST_NAMED:
        return f"one of {', '.join(known)}"
    near = [one for one in known if name and name in one] or get_close_matches(name, known, 3, 0.4) or known
    return f"one such as {', '.join(near[:3])}"
