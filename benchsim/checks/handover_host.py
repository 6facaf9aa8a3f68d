"""The commissioning of a touchscreen host: it starts and sends its prices, three customers buy, the supply goes and comes,
all of it again. The board and all else are simulated.
"""

from collections.abc import Callable

from benchsim.checks import handover
from benchsim.checks.customers import CHANGE, buy, change
from benchsim.checks.handover_steps import NAME, VENDS, Step, link_there, play
from benchsim.checks.host_stage import HostStage
from benchsim.checks.stage import Case, Plan
from benchsim.seats.till import NOT_FOR_SALE

OFF = 5.0  # seconds without supply
BOOTS = 10.0  # seconds for the board to start


async def start(s: HostStage) -> str:
    """It starts by itself and opens the sale."""
    await s.on_sale()
    await s.told()
    prices, settings = s.board.memory.prices, s.bench.settings
    for_sale = [price for price in prices if price != NOT_FOR_SALE]
    alike = sum(a == b for a, b in zip(prices, settings.prices, strict=True))
    span = f" from {min(for_sale)} to {max(for_sale)}" if for_sale else ""
    return f"{len(for_sale)} prices{span}, {alike} of {len(prices)} as in the bench file"


def _places(s: HostStage) -> list[tuple[int, int]]:
    """Three positions that the host sells from, as its own table has them."""
    columns, not_there = s.bench.coils.columns, {*s.bench.settings.empty, *s.bench.settings.missing}
    found = [divmod(i, columns) for i, price in enumerate(s.board.memory.prices) if 0 < price < NOT_FOR_SALE]
    return handover.three([place for place in found if place not in not_there])


def _vend(how: str) -> Callable:
    async def vend(s: HostStage) -> str:
        await s.on_sale()
        row, column = _places(s)[VENDS.index(how)]
        await buy(s, how, (row, column))
        if how == "card":
            s.bench.devices["cashless1"].pull()
            await s.sleep(CHANGE)
        else:
            await change(s)
        return f"row {row}, column {column} for {s.price(row, column)}"

    return vend


async def supply(s: HostStage) -> str:
    """The whole machine without supply; a real host is switched, where there is a switch or somebody to do it."""
    real = s.bench.host is None and (await s.supply("host", False) or await _asked(s, "off"))
    s.bench.supply.volts = 0.0
    await s.sleep(OFF)
    s.bench.supply.volts = s.bench.settings.supply["volts"]
    await s.until(lambda: s.board.on, BOOTS, "the board did not start")
    if real:
        await s.supply("host", True) or await _asked(s, "on")
    whole = s.bench.host is not None or real
    return f"off for {OFF:g} s" if whole else f"the board alone, off for {OFF:g} s; the host was not switched"


async def _asked(s: HostStage, state: str) -> bool:
    if not s.person:
        return False
    s.person(f"Switch the host {state}")
    await s.sleep(OFF)
    return True


def _paying(seat: str) -> Callable[[HostStage], str]:
    return lambda s: link_there("panel")(s) or ("" if seat in s.bench.devices else f"no {seat} stands on this bench")


SOLD = ("KIT-SALE-STATE", "SYS-PAID-OR-DELIVERED", "SYS-MONEY")
STEPS = {
    step.name: step
    for step in (
        Step("host-start", "Host started, its prices taken, sale open", ("KIT-START", "KIT-PRICE-WHOLE"), lambda s: "", start),
        *(
            Step(f"host-{how}", f"Test vend at the screen, paid by {how}", SOLD, _paying(seat), _vend(how))
            for how, seat in zip(VENDS, ("changer", "validator", "cashless1"), strict=True)
        ),
        Step("host-supply", "Supply off and on", ("KIT-RELINK", "KIT-START"), lambda s: "", supply),
    )
}
SALES = tuple(f"host-{how}" for how in VENDS)
FIRST, AGAIN = ("host-start", *SALES), ("host-supply", "host-start", *SALES)


async def commission(s: HostStage) -> None:
    """All steps, twice."""
    await play(s, STEPS, FIRST, AGAIN)


CASE = Case(NAME, "A start, three customers, the supply off and on; all of it again", ("kit",), commission)
PLAN = Plan("host", {NAME: CASE}, HostStage, ("kit", "panel"))
