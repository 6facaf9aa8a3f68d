"""The demo: a healthy bench on which people buy. Here every seat is judged."""

from benchsim.checks.stage import Case, Stage

PLAN: dict[str, Case] = {}


async def _demo(s: Stage) -> None:
    await s.on_sale()
    await s.coins(3, 3)
    s.tap(0, 0)
    await s.sold(1)
    await s.sleep(0.5)
    s.bench.devices["changer"].lever()
    await s.sleep(4)
    await s.bill(0)
    s.tap(1, 2)
    await s.sold(2)
    await s.sleep(0.5)
    s.bench.devices["changer"].lever()
    await s.sleep(4)
    await s.card(1000)
    s.tap(2, 1)
    await s.sold(3)
    await s.sleep(20)


PLAN["demo"] = Case("demo", "Nothing: three customers pay with coins, a bill and a card", ("kit", "panel"), _demo)
