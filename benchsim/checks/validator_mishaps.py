"""Cases of a bill validator: spoilt commands, resets, what customers and mechanics do to it (MDB/ICP 4.3 §6)."""

from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_master import wrong_sum
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.validator_steps import ALL, OUTCOME, bills, decide, insert, to_escrow

MISHAPS = CaseList()


@MISHAPS.case("wrong-sum-enable", "BILL TYPE that enables all comes with a wrong checksum, then a bill", hands=True)
async def wrong_sum_enable(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    await s.spoilt(wrong_sum, "BILL TYPE", **ALL)
    await s.poll(0.3)
    await insert(s, bills(s)[0])
    await s.watch(3)


@MISHAPS.case("gap-enable", "BILL TYPE that enables all has a pause of 8 ms inside, then a bill", hands=True)
async def gap_enable(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    await s.gapped(8, "BILL TYPE", **ALL)
    await s.poll(0.3)
    await insert(s, bills(s)[0])
    await s.watch(3)


@MISHAPS.case("wrong-sum-escrow", "ESCROW comes with a wrong checksum; the bill waits on", hands=True)
async def wrong_sum_escrow(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.spoilt(wrong_sum, "ESCROW", stack=1)
    await s.poll(2)
    await decide(s, stack=False)


@MISHAPS.case("escrow-without-bill", "ESCROW when no bill waits")
async def escrow_without_bill(s: DeviceStage):
    await s.start_up()
    for stack in (0, 1):
        await s.ask("ESCROW", stack=stack)
        await s.poll(1)


@MISHAPS.case("escrow-twice", "ESCROW comes a second time while the bill moves", hands=True)
async def escrow_twice(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.ask("ESCROW", stack=1)
    await s.poll(0.3)
    await s.once("ESCROW", stack=0)
    await s.poll_for("BILL", within=OUTCOME)
    await s.poll(0.5)


@MISHAPS.case("reset-with-a-bill", "RESET, and then a break, while a bill waits in escrow", hands=True)
async def reset_with_a_bill(s: DeviceStage):
    await s.start_up()
    for again in (s.reset, s.hold_break):
        await to_escrow(s, bills(s)[0])
        await again()
        await s.set_up()
        await s.poll(2)


@MISHAPS.case("reset-while-stacking", "RESET while a bill is on its way to the stacker", hands=True)
async def reset_while_stacking(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.ask("ESCROW", stack=1)
    await s.poll(0.5)
    await s.reset()
    await s.set_up()
    await s.poll(2)


@MISHAPS.case("break-then-bill", "A bill is put in after a break, before the validator is enabled again", hands=True)
async def break_then_bill(s: DeviceStage):
    await s.start_up()
    bill = bills(s)[0]
    await s.hold_break()
    await _not_enabled(s, bill)


@MISHAPS.case("reset-then-bill", "A bill is put in after RESET, before the validator is enabled again", hands=True)
async def reset_then_bill(s: DeviceStage):
    await s.start_up()
    bill = bills(s)[0]
    await s.reset()
    await _not_enabled(s, bill)


async def _not_enabled(s: DeviceStage, bill: int) -> None:
    await s.poll(1.5)
    await s.customer(f"Insert a bill of type {bill}", lambda device: device.insert(bill))
    await s.watch(3)


@MISHAPS.case("bill-pulled", "The customer pulls a bill back out: while it is read, and out of escrow", hands=True)
async def bill_pulled(s: DeviceStage):
    await s.start_up()
    await insert(s, bills(s)[0])
    await s.poll(0.4)
    await s.customer("Pull the bill back out at once", lambda device: device.pull())
    await s.watch(0.5)
    await to_escrow(s, bills(s)[0])
    await s.customer("Pull the bill out of the escrow, if you can", lambda device: device.pull())
    await s.watch(1)


@MISHAPS.case("impatient", "A validator that gives the bill back itself if nobody decides", hold_s=3.0, hands=True)
async def impatient(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.poll(6)


@MISHAPS.case("stacker-full", "The stacker runs full", capacity=1, hands=True)
async def stacker_full(s: DeviceStage):
    await s.start_up()
    s.needs(s.device is not None or s.setup["capacity"] <= 1, "the stacker of this validator is far from full")
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)
    await s.ask("STACKER")
    await insert(s, bills(s)[0])
    await s.watch(2)


@MISHAPS.case("security", "High security is asked for; a worn bill is put in", security=0b111, hands=True)
async def security(s: DeviceStage):
    await s.start_up()
    await s.ask("SECURITY", types=0xFFFF)
    bill = bills(s)[0]
    await s.customer("Insert a worn bill", lambda device: device.insert(bill, worn=True))
    await s.watch(2)
    await s.ask("SECURITY", types=0)
    await to_escrow(s, bill)
    await decide(s, stack=True)


@MISHAPS.case("box-out", "The cash box is taken out and put back", hands=True)
async def box_out(s: DeviceStage):
    await s.start_up()
    await s.customer("Take the cash box out", lambda device: device.take_box())
    await s.poll_for("CASH BOX OUT")
    await insert(s, bills(s)[0])
    await s.watch(1)
    await s.customer("Put the cash box back", lambda device: device.put_box())
    await s.poll_until_quiet("CASH BOX OUT", within=60)
    await s.ask("STACKER")
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)


@MISHAPS.case("troubles", "Every state that a validator can tell begins, lasts a moment, and ends")
async def troubles(s: DeviceStage):
    await s.start_up()
    device = s.simulated("have troubles")
    for name in ("MOTOR", "SENSOR", "ROM CHECKSUM", "JAM", "CASH BOX OUT"):
        device.trouble(name)
        await s.poll_for(name)
        device.insert(bills(s)[0])
        await s.poll(0.5)
        device.trouble(name, False)
        await s.poll(0.3)
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)


@MISHAPS.case("jam-on-the-way", "A bill jams on its way to the stacker and is taken out by hand")
async def jam_on_the_way(s: DeviceStage):
    await s.start_up()
    device = s.simulated("jam")
    await to_escrow(s, bills(s)[0])
    await s.ask("ESCROW", stack=1)
    await s.poll(0.5)
    device.trouble("JAM")
    await s.poll(3)
    device.trouble("JAM", False)
    await s.poll(1)


@MISHAPS.case("fished", "The last bill is fished out of the stacker")
async def fished(s: DeviceStage):
    await s.start_up()
    device = s.simulated("be robbed")
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)
    s.reply_with("NAK", "ACK")
    device.fish()
    await s.poll_for("CREDITED BILL REMOVAL")
    await s.ask("STACKER")


@MISHAPS.case("bill-storm", "Bill after bill, polled as slowly as may be; more while one is on its way")
async def bill_storm(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    await s.ask("BILL TYPE", enable=0xFFFF, escrow=0)
    device = s.simulated("take bills as fast as can be")
    for i in range(12):
        device.insert(bills(s)[i % len(bills(s))])
        await s.poll(0.8, every=0.199)
    await s.poll(3)
    await s.ask("STACKER")


@MISHAPS.case("busy", "The validator is busy for a second")
async def busy(s: DeviceStage):
    await s.start_up()
    s.simulated("be busy").busy(1)
    await s.poll_for("BUSY")
    await s.once("STACKER")
    await s.poll_until_quiet("BUSY")
    await s.ask("STACKER")


@MISHAPS.case("restart", "The validator loses its supply for a moment", hands=True)
async def restart(s: DeviceStage):
    await s.restarted()
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)
