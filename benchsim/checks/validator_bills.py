"""Cases of a bill validator: bills, escrow, types enabled and not (MDB/ICP 4.3 §6)."""

from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.validator_steps import ALL, bills, decide, has_escrow, insert, to_escrow

BILLS = CaseList()


@BILLS.case("bill-stacked", "A bill is put in and stacked at our word", hands=True)
async def bill_stacked(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=True)
    await s.ask("STACKER")
    await s.poll(0.5)


@BILLS.case("bill-returned", "A bill is put in and given back at our word", hands=True)
async def bill_returned(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await decide(s, stack=False)
    await s.poll(0.5)


@BILLS.case("every-bill", "One bill of each type, stacked", level=2, hands=True)
async def every_bill(s: DeviceStage):
    await s.start_up()
    for bill in bills(s):
        await to_escrow(s, bill)
        await decide(s, stack=True)
    await s.ask("STACKER")


@BILLS.case("bill-waits", "A bill waits in escrow for eight seconds until we decide", hands=True)
async def bill_waits(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.poll(8)
    await decide(s, stack=False)


@BILLS.case("stacked-at-once", "Bills that need not wait for our word", hands=True)
async def stacked_at_once(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    await s.ask("BILL TYPE", enable=0xFFFF, escrow=0)
    for bill in bills(s)[:2]:
        await insert(s, bill)
        await s.poll_for("BILL", within=10)
    await s.ask("STACKER")


@BILLS.case("no-escrow", "A validator without an escrow stacks at once", escrow=False, hands=True)
async def no_escrow(s: DeviceStage):
    await s.start_up()
    s.needs(not s.setup["escrow"], "this validator has an escrow")
    await insert(s, bills(s)[0])
    await s.poll_for("BILL", within=10)
    await s.poll(0.5)


@BILLS.case("bill-asked-again", "The answers with a bill get RET, once and twice, then ACK", hands=True)
async def bill_asked_again(s: DeviceStage):
    await s.start_up()
    s.reply_with("RET", "ACK")
    await to_escrow(s, bills(s)[0])
    s.reply_with("RET", "RET", "ACK")
    await decide(s, stack=True)
    await s.poll(0.5)


@BILLS.case("bill-not-taken", "The answers with a bill get NAK, then no reply, then ACK", hands=True)
async def bill_not_taken(s: DeviceStage):
    await s.start_up()
    s.reply_with("NAK", None, "ACK")
    await to_escrow(s, bills(s)[0])
    await s.ask("ESCROW", stack=1)
    await s.poll(1.6)
    s.reply_with(None, "NAK", None, "ACK")
    await s.poll(1)
    await s.ask("STACKER")


@BILLS.case("bill-between-commands", "The answer with a bill is lost, other commands come before it is offered again",
            hands=True)  # fmt: skip
async def bill_between_commands(s: DeviceStage):
    await s.start_up()
    has_escrow(s)
    s.reply_with(None)
    await insert(s, bills(s)[0])
    await s.poll_until_data()
    for name in ("STACKER", "SETUP"):
        await s.ask(name)
    await s.ask("BILL TYPE", **ALL)
    await s.poll_for("BILL", within=10)
    await decide(s, stack=False)


@BILLS.case("bills-disabled", "Bills are put in while every type is disabled, and before any was enabled", hands=True)
async def bills_disabled(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    await insert(s, bills(s)[0])
    await s.watch(2)
    await s.ask("BILL TYPE", **ALL)
    await s.poll(0.5)
    await s.ask("BILL TYPE", enable=0, escrow=0)
    await s.poll(1.2)
    for bill in bills(s)[:2]:
        await insert(s, bill)
        await s.watch(1.5)


@BILLS.case("bills-disabled-as-bills", "A validator that tells each bill of a disabled type", disabled_as="bill",
            tells_disabled=True, hands=True)  # fmt: skip
async def bills_disabled_as_bills(s: DeviceStage):
    await bills_disabled(s)


@BILLS.case("one-type-enabled", "Only one type is enabled, bills of others are put in", hands=True)
async def one_type_enabled(s: DeviceStage):
    await s.start_up(until="BILL TYPE")
    first, *others = bills(s)
    await s.ask("BILL TYPE", enable=1 << first, escrow=1 << first if s.setup["escrow"] else 0)
    for other in others:
        await insert(s, other)
        await s.watch(1.5)
    await to_escrow(s, first)
    await decide(s, stack=True)


@BILLS.case("disabled-with-a-bill", "The types are disabled while a bill waits in escrow; it may still be stacked", hands=True)
async def disabled_with_a_bill(s: DeviceStage):
    await s.start_up()
    await to_escrow(s, bills(s)[0])
    await s.ask("BILL TYPE", enable=0, escrow=0)
    await s.poll(1.5)
    await decide(s, stack=True)
    await s.poll(0.5)
