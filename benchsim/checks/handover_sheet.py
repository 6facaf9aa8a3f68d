"""From a played commissioning to the sheet that is signed: each step with what was found and what the rules say of it.

A step failed if it could not be done, or if one of its rules has a broken place in its time.
"""

from benchsim.checks import handover, handover_host
from benchsim.checks.handover_steps import NAME
from benchsim.checks.result import CaseResult
from benchsim.events import Burst, Happening, seconds
from benchsim.reports.record import Handover, HandoverStep
from benchsim.seats.till import NOT_FOR_SALE

STEPS = handover.STEPS | handover_host.STEPS
NEEDED = ("case", "step", "pricelist", "setpoint")
HEAVIEST = ("fail", "unsure", "warn")


def sheet(results: list[CaseResult]) -> Handover | None:
    """Of the commissioning among these cases; None where there is none."""
    result = next((result for result in results if result.name == NAME), None)
    if result is None:
        return None
    told = [event for event in result.events if type(event) is Happening and event.seat == "bench"]
    real = any(event.kind == "case" and event.data.get("real", False) for event in told)
    return Handover(_steps(result, told), *_expected(told), real)


def told_for_it(event: Burst | Happening) -> bool:
    """Does the sheet need it? All else of a case may be forgotten once it was judged."""
    return type(event) is Happening and event.seat == "bench" and event.kind in NEEDED


def _steps(result: CaseResult, told: list[Happening]) -> list[HandoverStep]:
    found, begun = [], 0.0
    for event in told:
        if event.kind != "step":
            continue
        step, data = STEPS[event.data["name"]], event.data
        if data["state"] == "begins":
            begun = seconds(event.time)
            found.append(HandoverStep(data["turn"], step.title, "fail", "not finished", step.rules))
            continue
        if found and found[-1].found == "not finished":
            found.pop()
        outcome = {"skipped": "unseen", "left": "fail"}.get(data["state"]) or _outcome(result, step.rules, begun, seconds(event.time))
        found.append(HandoverStep(data["turn"], step.title, outcome, data["found"], step.rules))
    return found


def _outcome(result: CaseResult, rules: tuple[str, ...], begun: float, end: float) -> str:
    ours = [verdict for verdict in result.verdicts if verdict.rule in rules]
    for outcome in HEAVIEST:
        if any(v.outcome == outcome and any(begun <= at.time_s <= end for at in v.at) for v in ours):
            return outcome
    return "pass" if not rules or any(v.outcome != "unseen" for v in ours) else "unseen"


def _expected(told: list[Happening]) -> tuple[list[list[int | None]], str]:
    """Prices by row and column (None: no coil, not for sale), and the temperature in words."""
    last = {event.kind: event.data for event in told}
    grid: list[list[int | None]] = []
    if "pricelist" in last:
        prices, columns = last["pricelist"]["prices"], last["pricelist"]["columns"]
        grid = [
            [None if price == NOT_FOR_SALE else price for price in prices[at : at + columns]]
            for at in range(0, len(prices), columns)
        ]
    setpoint = last.get("setpoint")
    return grid, f"{setpoint['tenths'] / 10:g} °C, {setpoint['for']}" if setpoint else ""
