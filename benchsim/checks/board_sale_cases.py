"""Cases of the board plan in which people pay cash: over the bus and the kit link at once.

The simulated host sells; what customers and devices do is legal, or an accident of daily life.
"""

from benchsim.checks.board_stage import BoardStage, corrupt
from benchsim.checks.stage import Cases, NotReached

CASES = Cases("bus", "kit")
case = CASES.case
SETTLED = 4.5  # seconds until no money is on its way any more
RICH = 1000  # on a card, minor units


async def change(s: BoardStage, seconds: float = 4.0) -> None:
    """The return lever, and time to pay out."""
    s.device("changer").lever()
    await s.sleep(seconds + SETTLED)


@case("sale-coins", "A customer pays with coins, taps, and takes the change by the lever")
async def sale_coins(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    s.tap()
    await s.sold()
    await change(s)


@case("sale-bill", "A customer pays with a bill, taps, and takes the change by the lever")
async def sale_bill(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.tap()
    await s.sold()
    await change(s)


@case("two-sales", "Two products from one credit, the change by the lever")
async def two_sales(s: BoardStage):
    await s.on_sale()
    await s.bill()
    for n in (1, 2):
        s.tap(0, n)
        await s.sold(n)
        await s.sleep(0.5)
    await change(s)


@case("coin-storm", "Fifteen coins within two seconds, then the lever")
async def coin_storm(s: BoardStage):
    await s.on_sale()
    await s.enabled("changer")
    smallest = s.taken("changer")[0]
    for _ in range(15):
        s.device("changer").insert(smallest)
        await s.sleep(0.13)
    await s.sleep(1)
    await change(s)


@case("all-coins", "One coin of each type, some of which no tube takes")
async def all_coins(s: BoardStage):
    await s.on_sale()
    await s.enabled("changer")
    changer = s.device("changer")
    for coin in range(16):
        if changer.takes(coin):
            changer.insert(coin)
            await s.sleep(0.6)
    await change(s)


@case("lever-with-credit", "A coin is put in and asked back")
async def lever(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    await change(s, 7.0)


@case("lever-twice", "The lever is pressed again and again while the change is paid out")
async def lever_twice(s: BoardStage):
    await s.on_sale()
    await s.bill()
    for _ in range(4):
        s.device("changer").lever()
        await s.sleep(0.3)
    await change(s)


@case("lever-in-vend", "The lever is pressed while the product is on its way")
async def lever_in_vend(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.tap()
    await s.vending()
    s.device("changer").lever()
    await s.sold()
    await s.sleep(4 + SETTLED)


@case("bill-in-vend", "A bill is put in, and lies in escrow when the product falls")
async def bill_in_vend(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    bill = s.taken("validator")[0]
    s.tap()
    await s.vending()
    s.device("validator").insert(bill)
    await s.sold()
    await s.sleep(3)
    await change(s, 5)


@case("coins-in-vend", "Coins go in while the product is on its way")
async def coins_in_vend(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    changer = s.device("changer")
    s.tap()
    await s.vending()
    for coin in (0, 1, 2):
        changer.insert(coin)
        await s.sleep(0.3)
    await s.sold()
    await change(s)


@case("second-bill", "A second bill goes in when the credit is enough for anything: it may be refused")
async def second_bill(s: BoardStage):
    await s.on_sale()
    await s.bill()
    await s.sleep(1)
    validator = s.device("validator")
    validator.insert(min(range(16), key=lambda i: validator.value(i) or 10**9))
    await s.sleep(5)
    await change(s, 6)


@case("bill-and-coins", "While a bill is being read, coins make the credit enough for anything")
async def bill_and_coins(s: BoardStage):
    await s.on_sale()
    await s.enabled("changer", "validator")
    s.small_bill()
    await s.sleep(0.2)
    for coin in s.taken("changer")[-2:]:
        s.device("changer").insert(coin)
        await s.sleep(0.2)
    await s.sleep(5)
    await change(s, 6)


@case("bill-disturbed", "A bill's escrow is decided while the answers of the validator are disturbed")
async def bill_disturbed(s: BoardStage):
    await s.on_sale()
    await s.enabled("validator")
    s.spoil("validator", 2, corrupt, "ESCROW")
    s.spoil("validator", 2, lambda words: None, "ESCROW")
    await s.bill()
    await change(s)


@case("bill-lost-in-reset", "The validator resets itself while a bill lies in escrow: it comes back out")
async def bill_reset(s: BoardStage):
    await s.on_sale()
    await s.enabled("validator")
    s.small_bill()
    await s.sleep(1.2)
    s.device("validator").restart()
    await s.sleep(2)
    await s.enabled("validator")
    await s.sleep(SETTLED)


@case("exact-change", "The tubes are empty: bills that would need change, then the exact sum in coins",
      seats={"changer": {"tubes": [0, 0, 0, 0]}})  # fmt: skip
async def exact_change(s: BoardStage):
    await s.on_sale()
    await s.enabled("changer")
    validator = s.device("validator")
    validator.insert(min(range(16), key=lambda i: validator.value(i) or 10**9))
    await s.sleep(4)
    if s.host.credit < s.price():
        await s.coins(s.price())
    s.tap()
    await s.sold()
    await change(s, 2)


@case("poor-tubes", "More change is due than the tubes hold: what cannot be paid stays owed",
      seats={"changer": {"tubes": [2, 2, 0, 0]}})  # fmt: skip
async def poor_tubes(s: BoardStage):
    await s.on_sale()
    await s.enabled("changer")
    s.coin()
    await s.sleep(1)
    s.coin()
    await s.sleep(1)
    await change(s, 3)


@case("dispense-coins", "A changer of level 2: the change is paid coin type by coin type",
      seats={"changer": {"level": 2}})  # fmt: skip
async def dispense(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.tap()
    await s.sold()
    await change(s, 8)


@case("dispense-many", "A changer of level 2 with small coins only, and forty of them to pay",
      seats={"changer": {"level": 2, "tubes": [60, 60, 0, 0]}})  # fmt: skip
async def dispense_many(s: BoardStage):
    await s.on_sale()
    await s.bill()
    await change(s, 16)


@case("busy-in-payout", "Another lever press and more coins while a slow changer pays out",
      seats={"changer": {"coin_s": 0.5}})  # fmt: skip
async def busy_in_payout(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.device("changer").lever()
    for _ in range(3):
        await s.sleep(0.5)
        s.device("changer").insert(0)
    s.device("changer").lever()
    await s.sleep(10)
    await change(s, 3)


@case("dispense-slowly", "The same with a changer of level 2", seats={"changer": {"level": 2, "coin_s": 0.5}})
async def dispense_slowly(s: BoardStage):
    await busy_in_payout(s)


@case("jam-in-payout", "A tube jams while the change is paid out, and is freed after three seconds")
async def jam_in_payout(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.device("changer").lever()
    await s.sleep(0.8)
    s.device("changer").trouble("TUBE JAM")
    await s.sleep(3)
    s.device("changer").trouble("TUBE JAM", False)
    await s.sleep(8 + SETTLED)


@case("reset-in-payout", "The changer resets itself while it pays out")
async def reset_in_payout(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.device("changer").lever()
    await s.sleep(0.8)
    s.device("changer").restart()
    await s.sleep(9 + SETTLED)


@case("silent-in-payout", "The changer says nothing for 1.5 s while it pays out")
async def silent_in_payout(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.device("changer").lever()
    await s.sleep(0.6)
    s.device("changer").quiet(1.5)
    await s.sleep(8 + SETTLED)


@case("refund-by-host", "The host gives the credit back, as a customer's touch asks it to")
async def refund(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    s.bench.panel.press(10, 10)
    await s.sleep(0.1)
    s.bench.panel.release()
    if "REFUND" not in s.host.spec.by_name:
        raise NotReached("this link has no REFUND")
    s.host.todo.append(("REFUND", {}))
    await s.sleep(3 + SETTLED)
