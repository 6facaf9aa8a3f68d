"""Cases of the board plan about the machine around a sale: coils, door, power, a host that goes away.

Where a hand has to reach into the machine (`hands`) a person is asked at a real board.
"""

from benchsim.checks.board_sale_cases import RICH, SETTLED, case, change
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.stage import SUPPLY


async def paid_in_vain(s: BoardStage, mishap) -> None:
    """Coins, a selection that `mishap` keeps from its customer, and the change taken."""
    await s.on_sale()
    await mishap()
    await s.coins(s.price())
    s.tap()
    await s.ended()
    await s.sleep(1)
    await change(s, 2)


@case("no-drop-cash", "The coil turns and nothing falls: the price goes back to the credit", hands=True)
async def no_drop_cash(s: BoardStage):
    await paid_in_vain(s, s.nothing_falls)


@case("no-drop-card", "The coil turns and nothing falls: the card is not charged", hands=True)
async def no_drop_card(s: BoardStage):
    await s.on_sale()
    await s.nothing_falls()
    await s.card(RICH)
    s.tap()
    await s.ended()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("coil-jams", "The coil does not turn", hands=True)
async def coil_jams(s: BoardStage):
    await paid_in_vain(s, s.coil_jams)


@case("door-idle", "The door is opened and closed, with credit in the machine", hands=True)
async def door_idle(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    await s.door(True)
    await s.sleep(2)
    s.device("changer").insert(3)
    await s.sleep(1)
    await s.door(False)
    await s.on_sale()
    await change(s, 2)


@case("door-in-vend", "The door is opened while the coil turns", hands=True)
async def door_in_vend(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    s.tap()
    await s.vending()
    await s.sleep(0.3)
    await s.door(True)
    await s.sleep(2)
    await s.door(False)
    await s.on_sale()
    await change(s, 2)


@case("vend-with-door-open", "A host that does not know of the open door asks for a product", hands=True)
async def vend_door_open(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    await s.door(True)
    kit = s.kit
    kit.seq = 100
    await kit.ask("VEND", row=0, column=0, price=s.price())
    await kit.poll_for(2.0)
    await s.door(False)
    await kit.poll_for(1.0)


# Power: the supply of a real board is in the hands of a person or of a power switch.


@case("power-cut-idle", "The board loses its supply for a second, with credit in the machine", hands=SUPPLY)
async def power_cut(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    await s.sleep(1)
    await s.power(False)
    await s.sleep(1)
    await s.power(True)
    await s.sleep(1)
    await s.on_sale()
    await s.enabled("changer")
    await s.sleep(SETTLED)
    await change(s, 2)


@case("power-cut-in-vend", "The board loses its supply while the coil turns", hands=SUPPLY)
async def power_cut_in_vend(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    s.tap()
    await s.vending()
    await s.sleep(0.4)
    await s.power(False)
    await s.sleep(1)
    await s.power(True)
    await s.sleep(1)
    await s.on_sale()
    await s.enabled("changer")
    await change(s, 3)


@case("power-cut-in-payout", "The board loses its supply while the change is paid out", hands=SUPPLY)
async def power_cut_in_payout(s: BoardStage):
    await s.on_sale()
    await s.bill()
    s.device("changer").lever()
    await s.sleep(0.8)
    await s.power(False)
    await s.sleep(1)
    await s.power(True)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(8 + SETTLED)


@case("power-cut-in-session", "The board loses its supply while a card's session is open", hands=SUPPLY)
async def power_cut_in_session(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    await s.power(False)
    await s.sleep(1)
    await s.power(True)
    await s.sleep(1)
    await s.on_sale()
    await s.enabled("cashless1")
    await s.sleep(SETTLED)


@case("host-away", "The host is off for three seconds, with credit in the machine and a coin going in")
async def host_away(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    s.host.power_off()
    await s.sleep(1)
    s.device("changer").insert(2)
    await s.sleep(2)
    s.device("changer").insert(2)
    await s.sleep(0.5)
    s.host.power_on()
    await s.on_sale()
    await s.enabled("changer")
    await change(s, 2)
