"""The demo: a healthy bench on which people buy. Here every seat is judged."""

from benchsim.checks.customers import buy, change, choice
from benchsim.checks.host_stage import HostStage
from benchsim.checks.stage import Case, Plan


async def _demo(s: HostStage) -> None:
    await s.on_sale()
    await buy(s, "coin", choice(s))
    await change(s)
    await buy(s, "bill", choice(s, 1, 2))
    await change(s)
    await buy(s, "card", choice(s, 2, 1))
    await s.sleep(20)


DEMO = Case("demo", "Nothing: three customers pay with coins, a bill and a card", ("kit", "panel"), _demo)
PLAN = Plan(None, {"demo": DEMO}, HostStage)
