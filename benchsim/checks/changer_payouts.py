"""Cases of a coin changer: payouts, and what the tubes hold (MDB/ICP 4.3 §5)."""

from benchsim.checks.changer_steps import TOKEN, a_coin, coins, credited, insert, paid_out, tubes, value
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_stage import DeviceStage

PAYOUTS = CaseList()


# ---- payouts


@PAYOUTS.case("dispense", "DISPENSE one coin, then three, from each tube that has them")
async def dispense(s: DeviceStage):
    await s.start_up()
    there = await tubes(s)
    full = [coin for coin in coins(s, True) if there[coin] >= 4]
    s.needs(bool(full), "no tube holds four coins")
    for coin in full:
        for count in (1, 3):
            await s.ask("DISPENSE", count=count, coin=coin)
            await paid_out(s)
    await s.poll(0.5)


@PAYOUTS.case("dispense-no-coin", "DISPENSE of no coin at all")
async def dispense_no_coin(s: DeviceStage):
    await s.start_up()
    await s.ask("DISPENSE", count=0, coin=a_coin(s))
    await paid_out(s)


@PAYOUTS.case("dispense-from-empty", "DISPENSE two coins from an empty tube", tubes=[0, 20, 20, 20])
async def dispense_from_empty(s: DeviceStage):
    await s.start_up()
    there = await tubes(s)
    empty = [coin for coin in coins(s, True) if there[coin] == 0]
    s.needs(bool(empty), "no tube of this changer is empty")
    await s.ask("DISPENSE", count=2, coin=empty[0])
    await paid_out(s)


def _pays_values(s: DeviceStage) -> None:
    s.needs(s.defined("PAYOUT"), "this changer does not offer payout by value (level 3, feature 0)")


async def payout_of(s: DeviceStage, some: int) -> int:
    """A value, in units of the scaling, for which `some` coins of each of the first tubes are needed."""
    there = await tubes(s)
    total = sum(min(there[coin], some) * s.setup["credits"][coin] for coin in coins(s, True)[:2])
    s.needs(0 < total < TOKEN, "the tubes of this changer hold too little")
    return total


async def told_values(s: DeviceStage, within: float = 20) -> int:
    """PAYOUT VALUE POLL beside each POLL until ACK says that it is over. Returns the sum of what was told."""
    total = 0
    for _ in range(int(within * 10)):
        await s.poll(0.1)
        answer = await s.ask("PAYOUT VALUE POLL")
        if answer.kind == "ack":
            break
        total += (answer.fields("PAYOUT VALUE POLL") or {"value": 0})["value"]
    return total


@PAYOUTS.case("payout", "PAYOUT of a value, followed by PAYOUT VALUE POLL, then PAYOUT STATUS")
async def payout(s: DeviceStage):
    await s.start_up()
    _pays_values(s)
    await s.ask("PAYOUT", value=await payout_of(s, 2))
    await told_values(s)
    await s.poll_until_quiet("PAYOUT BUSY")
    await s.ask("PAYOUT STATUS")
    await s.ask("PAYOUT STATUS")
    await tubes(s)
    await s.poll(0.5)


@PAYOUTS.case("payout-status-lost", "The answers to PAYOUT VALUE POLL and PAYOUT STATUS get RET, NAK and no reply first")
async def payout_status_lost(s: DeviceStage):
    await s.start_up()
    _pays_values(s)
    await s.ask("PAYOUT", value=await payout_of(s, 2))
    await s.poll(0.3)
    s.reply_with("RET", "ACK")
    await s.ask("PAYOUT VALUE POLL")
    await s.poll_until_quiet("PAYOUT BUSY")
    s.reply_with("NAK", None, "RET", "ACK")
    await s.ask("PAYOUT STATUS")
    await tubes(s)


@PAYOUTS.case("payout-while-coins-come", "Coins are put in while the changer pays out", hands=True)
async def payout_while_coins_come(s: DeviceStage):
    await s.start_up()
    _pays_values(s)
    await s.ask("PAYOUT", value=await payout_of(s, 4))
    await s.poll(0.3)
    await insert(s, a_coin(s))
    await insert(s, a_coin(s))
    await paid_out(s)
    await s.ask("PAYOUT STATUS")


@PAYOUTS.case("asked-while-paying", "Every kind of question while the changer pays out")
async def asked_while_paying(s: DeviceStage):
    await s.start_up()
    coin = a_coin(s)
    s.needs((await tubes(s))[coin] >= 5, "the first tube holds too little")
    await s.ask("DISPENSE", count=5, coin=coin)
    for name in ("SETUP", "TUBE STATUS", "IDENTIFICATION", "PAYOUT STATUS", "DIAGNOSTIC STATUS"):
        if s.defined(name):
            await s.once(name)
            await s.poll(0.1)
    await paid_out(s)


@PAYOUTS.case("reset-while-paying", "RESET, and then a break, in the middle of a payout")
async def reset_while_paying(s: DeviceStage):
    await s.start_up()
    coin = a_coin(s)
    for again in (s.reset, s.hold_break):
        s.needs((await tubes(s))[coin] >= 5, "the first tube holds too little")
        await s.ask("DISPENSE", count=5, coin=coin)
        await s.poll(0.4)
        await again()
        await s.set_up()
        await s.poll(0.5)


@PAYOUTS.case("pay-more-than-there-is", "PAYOUT of more than the tubes hold", tubes=[2, 2, 0, 0])
async def pay_more_than_there_is(s: DeviceStage):
    await s.start_up()
    _pays_values(s)
    there = await tubes(s)
    total = sum(there[coin] * s.setup["credits"][coin] for coin in coins(s, True))
    s.needs(total < TOKEN, "the tubes of this changer hold more than a payout can ask for")
    await s.ask("PAYOUT", value=total + 1)
    await paid_out(s)
    await s.ask("PAYOUT STATUS")


# ---- tubes


@PAYOUTS.case("tube-runs-full", "Coins are put in until a tube is full, and one more", tubes=[58, 60, 20, 20], hands=True)
async def tube_runs_full(s: DeviceStage):
    await s.start_up()
    for _ in range(3):
        await credited(s, a_coin(s))
        await tubes(s)


@PAYOUTS.case("buttons", "The buttons below the tubes are pressed, allowed and then not", hands=True)
async def buttons(s: DeviceStage):
    await s.start_up(until="COIN TYPE")
    coin = a_coin(s)
    await s.ask("COIN TYPE", accept=0xFFFF, manual=s.setup["tubes"])
    await s.customer(f"Press the button of the tube of {value(s, coin)} twice", lambda d: d.dispense_by_hand(coin, 2))
    await s.poll_for("COIN DISPENSED BY HAND")
    await s.poll(0.5)
    await s.ask("COIN TYPE", accept=0xFFFF, manual=0)
    await s.customer("and again", lambda device: device.dispense_by_hand(coin, 1))
    await s.watch(1)
    await tubes(s)


@PAYOUTS.case("service", "Coins are put into a tube and taken out by hand, then reported", features=0b111)
async def service(s: DeviceStage):
    await s.start_up()
    s.needs(s.defined("MANUAL FILL REPORT"), "this changer does not offer manual fill and payout (level 3, feature 2)")
    coin = a_coin(s)
    device = s.simulated("be filled by hand")
    device.fill_by_hand(coin, 5)
    device.pay_by_hand(coin, 3)
    await s.poll(0.5)
    device.service_done()
    await s.poll(0.3)
    for name in ("MANUAL FILL REPORT", "MANUAL PAYOUT REPORT"):
        s.reply_with("RET", "ACK")
        await s.ask(name)
        await s.ask(name)
    await s.poll(0.5)
