"""Cases of the board plan about food kept cold, and about selling again after a fault that is over.

A compartment can be seen into and warmed only where board and compartment are simulated: at a real board nothing of
it is put to the test. Food Code 2022, 3-501.16, 4-204.111. Nobody but the board sits on the bus meanwhile.
"""

from benchsim.checks.board_asker import KitAsker
from benchsim.checks.board_kit_steps import case, priced
from benchsim.checks.board_stage import READY_WITHIN, BoardStage
from benchsim.checks.stage import NotReached

PERISHABLE, SET_POINT = 1, 30  # duty, tenths of °C
EVERY = 1.5  # seconds from POLL to POLL: enough for a board, and quick where hours have to pass
ALONE = {seat: {"fitted": False} for seat in ("changer", "validator", "cashless1")}
RECOVERED = 33.0  # seconds: the machine must sell again 30 s after a fault


async def cooling(s: BoardStage) -> KitAsker:
    """On sale with perishable food, in a compartment that is cold."""
    if s.bench.cold is None:
        raise NotReached("the bench does not see into the compartment of a real board")
    kit = await priced(s)
    await kit.ask_if("SETPOINT", duty=PERISHABLE, tenths=SET_POINT)
    await kit.ask("OPEN-SALE")
    return kit


async def minutes(s: BoardStage, kit: KitAsker, number: float) -> None:
    """The host polls on."""
    for _ in range(round(number * 60 / EVERY)):
        await kit.ask("POLL")
        await s.sleep(EVERY - 0.04)


@case("food-too-warm", "The compressor fails and the air gets warm; the supply is lost; it is cold again; service comes",
      hands=True, seats=ALONE)  # fmt: skip
async def food_too_warm(s: BoardStage):
    kit, cold = await cooling(s), s.bench.cold
    cold.compressor_dead = True
    cold.settle(9.0)
    await minutes(s, kit, 11.5)
    await s.power(False)
    await s.sleep(2)
    await s.power(True)
    await kit.reach(READY_WITHIN)
    await minutes(s, kit, 0.5)
    cold.settle(2.0)
    await minutes(s, kit, 1.5)
    await s.door(True)
    await minutes(s, kit, 0.1)
    await s.button()
    await minutes(s, kit, 0.1)
    await s.door(False)
    await minutes(s, kit, 1.5)


@case("food-service", "Warm food is filled in for service, and is cold again within half an hour", hands=True, seats=ALONE)
async def food_service(s: BoardStage):
    kit, cold = await cooling(s), s.bench.cold
    await minutes(s, kit, 0.5)
    await s.door(True)
    cold.settle(12.0)
    await minutes(s, kit, 4)
    await s.door(False)
    await minutes(s, kit, 25)
    cold.settle(3.0)
    await minutes(s, kit, 1)


@case("food-sensor-fails", "The temperature sensor breaks, and nobody knows how warm the food is", hands=True, seats=ALONE)
async def food_sensor_fails(s: BoardStage):
    kit = await cooling(s)
    s.bench.cold.probe.fault = "open"
    await minutes(s, kit, 12)


@case("host-back", "The host is off for four seconds; half a minute later the machine must sell again", seats=ALONE)
async def host_back(s: BoardStage):
    await s.on_sale()
    with s.fault("host-off"):
        s.host.power_off()
        await s.sleep(4)
        s.host.power_on()
    await s.sleep(RECOVERED)
