"""The plan for a coin changer under test (MDB/ICP 4.3 §5): coins, payouts, and whatever else it tells."""

from benchsim.checks.changer_coins import COINS
from benchsim.checks.changer_payouts import PAYOUTS
from benchsim.checks.changer_steps import (
    a_coin,
    coins,
    credited,
    tubes,
)
from benchsim.checks.changer_variants import VARIANTS
from benchsim.checks.device_cases import COMMON, CaseList, start_ups
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.stage import Plan
from benchsim.schema import load_book

OTHER = CaseList()


@OTHER.case("lever", "The return lever is pressed, three times", hands=True)
async def lever(s: DeviceStage):
    await s.start_up()
    for reply in ("ACK", "NAK", "RET"):
        s.reply_with(reply)
        await s.customer("Press the return lever", lambda device: device.lever())
        await s.poll_for("ESCROW REQUEST")
        await s.poll(0.3)


@OTHER.case("lever-held", "The return lever is held down for three seconds", hands=True)
async def lever_held(s: DeviceStage):
    await s.start_up()
    await s.customer("Hold the return lever down", lambda device: device.hold_lever())
    await s.poll_for("ESCROW REQUEST")
    await s.poll(3)
    await s.customer("Let the return lever go", lambda device: device.hold_lever(False))
    await s.poll(0.5)


@OTHER.case("slugs", "Three things that are no coins are put in", hands=True)
async def slugs(s: DeviceStage):
    await s.start_up()
    for reply in ("ACK", "NAK", "RET"):
        s.reply_with(reply)
        await s.customer("Insert something that is no coin", lambda device: device.slug())
        await s.poll_for("SLUG", "COIN DEPOSITED")
    await s.poll(0.5)


@OTHER.case("tricked", "A coin on a string, two coins at once, one that misses its tube, one fished out", apart_s=0.1)
async def tricked(s: DeviceStage):
    await s.start_up()
    coin, device = a_coin(s), s.simulated("be tricked")
    device.insert(coin)
    await s.poll(0.1)
    device.pull_back()
    await s.poll_for("NO CREDIT")
    device.insert(coin)
    device.insert(coin)
    await s.poll_for("DOUBLE ARRIVAL")
    await s.poll(0.5)
    device.astray()
    device.insert(coin)
    await s.poll_for("ROUTING ERROR")
    await s.poll(0.3)
    device.fish()
    await s.poll_for("CREDITED COIN REMOVAL")
    await s.poll(0.5)


@OTHER.case("rejected", "A changer that tells the coins it gives back", tells_rejected=True)
async def rejected(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    device = s.simulated("tell rejected coins")
    for coin in coins(s, True):
        device.insert(coin)
        await s.poll(0.5)


@OTHER.case("troubles", "Every state that a changer can tell begins, lasts a moment, and ends")
async def troubles(s: DeviceStage):
    await s.start_up()
    device, coin = s.simulated("have troubles"), a_coin(s)
    for name in ("TUBE SENSOR DEFECTIVE", "ACCEPTOR UNPLUGGED", "TUBE JAM", "ROM CHECKSUM", "COIN JAM"):
        device.trouble(name)
        await s.poll_for(name)
        if name != "TUBE SENSOR DEFECTIVE":
            device.insert(coin)
        if s.defined("DIAGNOSTIC STATUS"):
            await s.ask("DIAGNOSTIC STATUS")
        await s.poll(0.5)
        device.trouble(name, False)
        await s.poll(0.3)
    await credited(s, coin)


@OTHER.case("busy", "The changer is busy for a second")
async def busy(s: DeviceStage):
    await s.start_up()
    s.simulated("be busy").busy(1)
    await s.poll_for("BUSY")
    await s.once("TUBE STATUS")
    await s.poll_until_quiet("BUSY")
    await tubes(s)


@OTHER.case("restart", "The changer loses its supply for a moment", hands=True)
async def restart(s: DeviceStage):
    await s.restarted()
    await credited(s, a_coin(s))


CASES = start_ups(load_book().devices["changer"], "changer")
for part in (COMMON, COINS, PAYOUTS, OTHER):
    CASES |= part.of("changer")

PLAN = Plan("changer", CASES, DeviceStage, ("bus",), VARIANTS, alone=True)
