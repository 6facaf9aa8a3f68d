"""Customers of a host under test: how they pay, what they choose, what they take back."""

from benchsim.checks.host_stage import HostStage
from benchsim.checks.stage import NotReached
from benchsim.seats.till import NOT_FOR_SALE

RICH = 1000  # on a card, minor units, or the price where that is more
COIN, BILL = 3, 0  # types that they pay with
CHANGE = 4.0  # seconds for a payout


def choice(s: HostStage, row: int = 0, column: int = 0) -> tuple[int, int]:
    """That position, or the next from which something can be sold for money."""
    rows, columns = s.bench.coils.rows, s.bench.coils.columns
    first = row % rows * columns + column % columns
    not_there = {*s.bench.settings.empty, *s.bench.settings.missing, *s.bench.settings.unplanned}
    for i in range(rows * columns):
        place = divmod((first + i) % (rows * columns), columns)
        if place not in not_there and 0 < s.price(*place) < NOT_FOR_SALE:
            return place
    raise NotReached("nothing can be sold for money here")


async def pay(s: HostStage, how: str, price: int) -> None:
    """By "coin", "bill" or "card", until the credit is enough."""
    if how == "card":
        await s.card(max(RICH, price))
    elif how == "bill":
        while s.board.till.total < price:
            await s.bill(BILL)
    else:
        value = s.bench.devices["changer"].value(COIN)
        await s.coins(COIN, -(-(price - s.board.till.total) // value))


async def paid(s: HostStage) -> tuple[int, int]:
    """The sale is open, and a customer has paid for a product with coins: where it is."""
    await s.on_sale()
    place = choice(s)
    await pay(s, "coin", s.price(*place))
    return place


async def buy(s: HostStage, how: str, place: tuple[int, int]) -> None:
    """A customer pays, taps, and gets the product."""
    before = s.board.memory.counters["vends"]
    await pay(s, how, s.price(*place))
    s.tap(*place)
    await s.sold(before + 1)


async def change(s: HostStage) -> None:
    """The return lever, and time for the payout."""
    await s.sleep(0.5)
    s.bench.devices["changer"].lever()
    await s.sleep(CHANGE)
