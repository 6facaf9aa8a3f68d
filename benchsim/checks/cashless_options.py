"""Cases of a card reader: what not every reader can do (MDB/ICP 4.3 §7)."""

from benchsim.checks.cashless_steps import (
    approved,
    card,
    complete,
    fail,
    has,
    price,
    request,
    sell,
    some,
    succeed,
)  # fmt: skip
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_stage import DeviceStage

OPTIONS = CaseList()


@OPTIONS.case("wide-money", "Amounts of 32 bits: a card with much on it, a vend, one that fails", level=3, wide=True, hands=True)
async def wide_money(s: DeviceStage):
    await s.start_up()
    s.needs(s.mode.wide, "this reader does not offer 32-bit money (level 3, feature 1)")
    await sell(s, funds=70_000 * 100)
    await card(s, 70_000 * 100)
    await approved(s)
    await fail(s)
    await complete(s)


@OPTIONS.case("wide-money-offered", "32-bit money is offered and not enabled", level=3, wide=True, hands=True)
async def wide_money_offered(s: DeviceStage):
    s.features = 0
    await s.start_up()
    await sell(s, funds=70_000 * 100)


@OPTIONS.case("always-idle", "A vend is asked for before any card was there", level=3, always_idle=True, hands=True)
async def always_idle(s: DeviceStage):
    await s.start_up()
    has(s, 5, "always idle")
    since = len(s.heard)
    await s.ask("VEND REQUEST", price=price(s), item=1)
    await s.poll(0.5)
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    if (await s.poll_for("VEND APPROVED", "VEND DENIED", since=since)).name == "VEND APPROVED":
        await succeed(s)
    await complete(s)
    await sell(s)


@OPTIONS.case("nobody-comes", "Always idle: a vend is asked for, and no card comes", level=3, always_idle=True)
async def nobody_comes(s: DeviceStage):
    await s.start_up()
    has(s, 5, "always idle")
    since = len(s.heard)
    await s.ask("VEND REQUEST", price=price(s), item=1)
    await s.poll_for("VEND DENIED", "VEND APPROVED", "END SESSION", since=since)
    await s.poll(0.5)


@OPTIONS.case("negative-vend", "Value is put on a card for a returned thing, and once too much", level=3, negative_vend=True,
            card_most=2000, hands=True)  # fmt: skip
async def negative_vend(s: DeviceStage):
    await s.start_up()
    has(s, 3, "negative vend")
    await card(s)
    for value in (some(s, 100), some(s, 5000)):
        if await request(s, "NEGATIVE VEND", value) == "VEND APPROVED":
            await succeed(s)
    await complete(s)


@OPTIONS.case("revalue", "Money is put on a card: within the limit, and above it", card_most=5000, hands=True)
async def revalue(s: DeviceStage):
    await s.start_up()
    s.needs(s.mode.level >= 2, "a reader of level 1 has no revalue")
    await card(s)
    limit = await s.ask_for("REVALUE LIMIT", "REVALUE LIMIT", "REVALUE DENIED")
    await s.ask_for("REVALUE REQUEST", "REVALUE APPROVED", "REVALUE DENIED", amount=some(s, 500))
    if limit.name == "REVALUE LIMIT" and limit.fields["limit"] < 0xFFFF:
        await s.ask_for("REVALUE REQUEST", "REVALUE APPROVED", "REVALUE DENIED", amount=limit.fields["limit"])
    await complete(s)


@OPTIONS.case("revalue-wide", "The same with amounts of 32 bits", card_most=9_000_000, level=3, wide=True, hands=True)
async def revalue_wide(s: DeviceStage):
    await revalue(s)


@OPTIONS.case("no-revalue", "A reader that puts no money on cards is asked to", hands=True)
async def no_revalue(s: DeviceStage):
    await revalue(s)


@OPTIONS.case("time-and-date", "The reader wants to know time and date, and is told unasked", level=2)
async def time_and_date(s: DeviceStage):
    await s.start_up()
    s.needs(s.defined("TIME AND DATE"), "a reader of level 1 has no clock")
    stamp = "26010508000001010000"  # 2026-01-05 08:00:00, Monday, week 1
    await s.ask("TIME AND DATE", stamp=stamp)
    if s.device:
        s.device.ask_time()
        await s.poll_for("TIME REQUEST")
        await s.ask("TIME AND DATE", stamp=stamp)
    await s.poll(0.5)


@OPTIONS.case("data-entry", "The reader wants the customer to key something in, then no more", level=3, data_entry=True)
async def data_entry(s: DeviceStage):
    await s.start_up()
    has(s, 4, "data entry")
    device = s.simulated("ask for data entry")
    device.ask_entry(4)
    await s.poll_for("DATA ENTRY REQUEST")
    await s.ask("DATA ENTRY", data="1234")
    device.ask_entry(4)
    await s.poll_for("DATA ENTRY REQUEST")
    device.cancel_entry()
    await s.poll_for("DATA ENTRY CANCEL")
    await sell(s)


@OPTIONS.case("display", "The reader has texts for the controller's display", display=True)
async def display(s: DeviceStage):
    s.our_display = (16, 2)
    await s.start_up()
    device = s.simulated("show a text")
    for text in ("PLEASE WAIT", "THANK YOU"):
        device.show(text, 3)
        await s.poll_for("DISPLAY REQUEST")
    await sell(s)


@OPTIONS.case("cash-sales", "The reader is told of two cash sales", cash_sales=True)
async def cash_sales(s: DeviceStage):
    await s.start_up()
    s.needs(s.setup["options"] >> 3 & 1, "this reader does not want to be told of cash sales")
    currency = {"currency": s.setup["currency"]} if s.mode.wide else {}
    for item in (1, 2):
        await s.ask("CASH SALE", price=price(s), item=item, **currency)
    await s.poll(0.5)


@OPTIONS.case("malfunctions", "The reader reports errors of its own, idle and in a session")
async def malfunctions(s: DeviceStage):
    await s.start_up()
    device = s.simulated("report errors")
    for code in (0x00, 0x10, 0x20, 0x80, 0xA0):
        s.reply_with("NAK", "ACK")
        device.malfunction(code)
        await s.poll_for("MALFUNCTION")
    await card(s)
    device.malfunction(0x10)
    await s.poll_for("MALFUNCTION")
    await complete(s)
