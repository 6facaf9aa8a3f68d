"""Cases of a coin changer: coins that go in (MDB/ICP 4.3 §5)."""

from benchsim.checks.changer_steps import FALLS, a_coin, coins, credited, enable, insert, tubes
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_master import wrong_sum
from benchsim.checks.device_stage import DeviceStage

COINS = CaseList()


@COINS.case("coin-to-tube", "A coin that has a tube is put in", hands=True)
async def coin_to_tube(s: DeviceStage):
    await s.start_up()
    await credited(s, a_coin(s))
    await tubes(s)
    await s.poll(0.5)


@COINS.case("coin-to-box", "A coin that has no tube is put in", hands=True)
async def coin_to_box(s: DeviceStage):
    await s.start_up()
    await credited(s, a_coin(s, tube=False))
    await tubes(s)
    await s.poll(0.5)


@COINS.case("every-coin", "One coin of each type, one after the other", hands=True)
async def every_coin(s: DeviceStage):
    await s.start_up()
    for coin in coins(s, True) + coins(s, False):
        await credited(s, coin)
    await tubes(s)
    await s.poll(0.5)


@COINS.case("coin-asked-again", "The answer with a coin gets RET, twice, then ACK", hands=True)
async def coin_asked_again(s: DeviceStage):
    await s.start_up()
    s.reply_with("RET", "RET", "ACK")
    await credited(s, a_coin(s))
    await tubes(s)
    await s.poll(0.5)


@COINS.case("coin-not-taken", "The answers with coins get NAK, then no reply, while more coins come", hands=True)
async def coin_not_taken(s: DeviceStage):
    await s.start_up()
    a_coin(s)
    for coin in coins(s, True)[:2] * 2:
        await insert(s, coin)
    s.reply_with("NAK", None, "NAK", None, "ACK")
    await s.poll_for("COIN DEPOSITED")
    await s.watch(1)
    await tubes(s)


@COINS.case("coin-between-commands", "A coin's answer is lost, other commands come before it is offered again", hands=True)
async def coin_between_commands(s: DeviceStage):
    await s.start_up()
    coin = a_coin(s)
    s.reply_with(None)
    await insert(s, coin)
    await s.poll_until_data()
    for name in ("TUBE STATUS", "SETUP"):
        await s.ask(name)
    await enable(s, 0xFFFF)
    await s.poll_for("COIN DEPOSITED")
    await s.poll(0.5)


@COINS.case("coins-disabled", "Coins are put in while every type is disabled, and before any was enabled", hands=True)
async def coins_disabled(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    for coin in coins(s, True)[:2] + coins(s, False)[:1]:
        await insert(s, coin)
        await s.watch(0.5)
    await enable(s, 0xFFFF)
    await s.poll(0.5)
    await enable(s, 0)
    await s.poll(1.2)
    await insert(s, a_coin(s))
    await s.watch(1)


@COINS.case("one-type-enabled", "Only one type is enabled, coins of others are put in", hands=True)
async def one_type_enabled(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    coin = a_coin(s)
    await enable(s, 1 << coin)
    for other in [one for one in coins(s, True) + coins(s, False) if one != coin]:
        await insert(s, other)
        await s.watch(0.5)
    await credited(s, coin)
    await tubes(s)


@COINS.case("coin-on-its-way", "The types are disabled while a coin falls", hands=True)
async def coin_on_its_way(s: DeviceStage):
    s.reasons["CHG-ENABLED"] = "here a coin was on its way when its type was disabled: it may give credit, or not"
    await s.start_up()
    await insert(s, a_coin(s))
    await s.poll(0.1)
    await enable(s, 0)
    await s.watch(1.5)
    await enable(s, 0xFFFF)
    await credited(s, a_coin(s))
    await tubes(s)


@COINS.case("wrong-sum-enable", "COIN TYPE that enables all comes with a wrong checksum, then a coin", hands=True)
async def wrong_sum_enable(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    await s.spoilt(wrong_sum, "COIN TYPE", accept=0xFFFF, manual=0)
    await s.poll(0.3)
    await insert(s, a_coin(s))
    await s.watch(1)


@COINS.case("gap-enable", "COIN TYPE that enables all has a pause of 8 ms inside, then a coin", hands=True)
async def gap_enable(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    await s.gapped(8, "COIN TYPE", accept=0xFFFF, manual=0)
    await s.poll(0.3)
    await insert(s, a_coin(s))
    await s.watch(1)


@COINS.case("coin-storm", "Twenty coins in four seconds, polled as slowly as may be")
async def coin_storm(s: DeviceStage):
    await s.start_up()
    kinds = coins(s, True) + coins(s, False)
    device = s.simulated("take coins as fast as can be")
    for i in range(20):
        device.insert(kinds[i % len(kinds)])
        await s.poll(0.2, every=0.199)
    await s.poll(1)
    await tubes(s)


@COINS.case("coins-unpolled", "Twelve coins while the master is silent for three seconds")
async def coins_unpolled(s: DeviceStage):
    await s.start_up()
    kinds = coins(s, True) + coins(s, False)
    device = s.simulated("take coins as fast as can be")
    for i in range(12):
        device.insert(kinds[i % len(kinds)])
        await s.sleep(0.25)
    s.reply_with("NAK")
    await s.poll(1)
    await tubes(s)


@COINS.case("coin-and-reset", "A RESET comes while a coin waits to be told", hands=True)
async def coin_and_reset(s: DeviceStage):
    await s.start_up()
    await insert(s, a_coin(s))
    await s.sleep(FALLS)
    await s.reset()
    await s.set_up()
    await credited(s, a_coin(s))
    await tubes(s)


@COINS.case("break-then-coin", "A coin is put in after a break, before the changer is enabled again", hands=True)
async def break_then_coin(s: DeviceStage):
    await s.start_up()
    coin = a_coin(s)
    await s.hold_break()
    await _not_enabled(s, coin)


@COINS.case("reset-then-coin", "A coin is put in after RESET, before the changer is enabled again", hands=True)
async def reset_then_coin(s: DeviceStage):
    await s.start_up()
    coin = a_coin(s)
    await s.reset()
    await _not_enabled(s, coin)


async def _not_enabled(s: DeviceStage, coin: int) -> None:
    await s.poll(1.5)
    await s.customer(f"Insert a coin of type {coin}", lambda device: device.insert(coin))
    await s.watch(1)
