"""Cases of a card reader: what goes wrong on the way (MDB/ICP 4.3 §7)."""

from benchsim.checks.cashless_steps import (
    approved,
    card,
    complete,
    many,
    price,
    sell,
    succeed,
)  # fmt: skip
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_master import wrong_sum
from benchsim.checks.device_stage import DeviceStage

MISHAPS = CaseList()


@MISHAPS.case("answers-asked-again", "Every answer of a session gets RET first", hands=True)
async def answers_asked_again(s: DeviceStage):
    s.reply_with(*many("RET", "ACK"))
    await s.start_up()
    await sell(s)


@MISHAPS.case("answers-not-taken", "Every answer of a session gets NAK, then no reply, then ACK", hands=True)
async def answers_not_taken(s: DeviceStage):
    s.reply_with(*many("NAK", None, "ACK"))
    await s.start_up()
    await sell(s)


@MISHAPS.case("approval-not-taken", "The approval gets NAK three times, then no reply three times", hands=True)
async def approval_not_taken(s: DeviceStage):
    await s.start_up()
    await card(s)
    s.reply_with("NAK", "NAK", "NAK", None, None, None)
    await approved(s)
    await succeed(s)
    await complete(s)


@MISHAPS.case("wrong-sum-enable", "READER ENABLE comes with a wrong checksum, then a card", hands=True)
async def wrong_sum_enable(s: DeviceStage):
    await s.start_up(until="READER ENABLE")
    await s.spoilt(wrong_sum, "READER ENABLE")
    await s.poll(0.3)
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    await s.watch(2)


@MISHAPS.case("wrong-sums-in-session", "VEND REQUEST, SUCCESS and SESSION COMPLETE come with a wrong checksum first", hands=True)
async def wrong_sums_in_session(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.spoilt(wrong_sum, "VEND REQUEST", price=price(s), item=1)
    await s.poll(1.5)
    await s.spoilt(wrong_sum, "SESSION COMPLETE")
    await s.poll(0.3)
    await approved(s)
    await s.spoilt(wrong_sum, "VEND SUCCESS", item=1)
    await s.spoilt(wrong_sum, "VEND FAILURE")
    await s.poll(0.3)
    await succeed(s)
    await complete(s)


@MISHAPS.case("reset-in-session", "RESET, then a break, in the middle of a session; a card again after it", hands=True)
async def reset_in_session(s: DeviceStage):
    await s.start_up()
    for again in (s.reset, s.hold_break):
        await card(s)
        await s.poll(0.3)
        await again()
        await s.set_up()
    await sell(s)


@MISHAPS.case("break-then-card", "A card is held up after a break, before the reader is enabled again", hands=True)
async def break_then_card(s: DeviceStage):
    await s.start_up()
    await s.hold_break()
    await _not_enabled(s)


@MISHAPS.case("reset-then-card", "A card is held up after RESET, before the reader is enabled again", hands=True)
async def reset_then_card(s: DeviceStage):
    await s.start_up()
    await s.reset()
    await _not_enabled(s)


async def _not_enabled(s: DeviceStage) -> None:
    await s.poll(1.5)
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    await s.watch(2)


@MISHAPS.case("reset-in-vend", "RESET while the reader decides, and again when it has approved", hands=True)
async def reset_in_vend(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.ask("VEND REQUEST", price=price(s), item=1)
    await s.poll(0.3)
    await s.reset()
    await s.set_up()
    await s.poll(1.5)
    await card(s)
    await approved(s)
    await s.reset()
    await s.set_up()
    await sell(s)


@MISHAPS.case("silent-in-session", "The master says nothing for four seconds in a session, then goes on", hands=True)
async def silent_in_session(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.sleep(4)
    await approved(s)
    await s.sleep(4)
    await succeed(s)
    await complete(s)


@MISHAPS.case("restart", "The reader loses its supply for a moment", hands=True)
async def restart(s: DeviceStage):
    await s.restarted()
    await sell(s)
