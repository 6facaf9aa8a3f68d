"""Cases of a card reader: sessions, vends, and how they are broken off (MDB/ICP 4.3 §7)."""

from benchsim.checks.cashless_steps import (
    approved,
    card,
    complete,
    fail,
    no_more,
    price,
    request,
    sell,
    succeed,
)  # fmt: skip
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_stage import DeviceStage

SESSIONS = CaseList()


# ---- sessions


@SESSIONS.case("vend", "A card, a vend approved and delivered, the session is closed", hands=True)
async def vend(s: DeviceStage):
    await s.start_up()
    await sell(s)


@SESSIONS.case("vend-level-1", "The same with a reader of level 1", level=1, hands=True)
async def vend_level_1(s: DeviceStage):
    await vend(s)


@SESSIONS.case("vend-level-3", "The same with a reader of level 3", level=3, hands=True)
async def vend_level_3(s: DeviceStage):
    await vend(s)


@SESSIONS.case("old-controller", "A controller of level 1 sells by a reader of level 3", level=3, hands=True)
async def old_controller(s: DeviceStage):
    s.our_level = 1
    await vend(s)


@SESSIONS.case("no-vend", "A card, and the session is closed without a vend", hands=True)
async def no_vend(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.poll(1)
    await complete(s)


@SESSIONS.case("vend-failed", "An approved vend fails", hands=True)
async def vend_failed(s: DeviceStage):
    await s.start_up()
    await card(s)
    await approved(s)
    await fail(s)
    await complete(s)


@SESSIONS.case("no-refund", "An approved vend fails at a reader that gives no money back", refunds=False, level=3,
            negative_vend=True, card_most=5000, hands=True)  # fmt: skip
async def no_refund(s: DeviceStage):
    await vend_failed(s)
    if s.defined("NEGATIVE VEND"):
        await card(s)
        if await request(s, "NEGATIVE VEND") == "VEND APPROVED":
            await fail(s)
        await complete(s)


@SESSIONS.case("two-vends", "Two vends in one session, the first fails", hands=True)
async def two_vends(s: DeviceStage):
    await s.start_up()
    await card(s)
    await approved(s)
    await fail(s)
    await s.poll(0.3)
    if await request(s) == "VEND APPROVED":
        await succeed(s)
    await complete(s)


@SESSIONS.case("second-vend-denied", "A reader that allows one vend in a session is asked for two", multivend=False, hands=True)
async def second_vend_denied(s: DeviceStage):
    await s.start_up()
    await card(s)
    await approved(s)
    await succeed(s)
    if await request(s) == "VEND APPROVED":
        await succeed(s)
    await complete(s)


@SESSIONS.case("funds-unknown", "A card that does not tell its funds", hands=True)
async def funds_unknown(s: DeviceStage):
    await s.start_up()
    await sell(s, funds=None)


@SESSIONS.case("at-once", "A reader that answers everything at once", decide_s=0, hands=True)
async def at_once(s: DeviceStage):
    await s.start_up()
    await sell(s)


@SESSIONS.case("slowly", "A reader that takes its time: four seconds to approve, two to close", decide_s=4.0, close_s=2.0,
            hands=True)  # fmt: skip
async def slowly(s: DeviceStage):
    await s.start_up()
    await sell(s)


@SESSIONS.case("three-cards", "Three customers, one right after the other", hands=True)
async def three_cards(s: DeviceStage):
    await s.start_up()
    for _ in range(3):
        await sell(s)


# ---- cancelled


async def asked(s: DeviceStage) -> int:
    """A customer with a card asks for a vend, and nothing is decided yet. Returns where in `heard` that stands."""
    await s.start_up()
    await card(s)
    since = len(s.heard)
    await s.ask("VEND REQUEST", price=price(s), item=1)
    return since


@SESSIONS.case("vend-cancelled", "The vend is cancelled before the reader has decided", hands=True)
async def vend_cancelled(s: DeviceStage):
    since = await asked(s)
    await s.poll(0.3)
    s.needs(no_more(s, since, "VEND APPROVED", "VEND DENIED"), "the reader had decided before the cancel")
    await s.ask_for("VEND CANCEL", "VEND DENIED", "VEND APPROVED")
    await s.poll(1.2)
    await complete(s)


@SESSIONS.case("cancelled-too-late", "The vend is cancelled when the reader has decided, and not told", hands=True, binding=True)
async def cancelled_too_late(s: DeviceStage):
    since = await asked(s)
    await s.sleep(1.5)
    s.needs(no_more(s, since, "VEND APPROVED", "VEND DENIED"), "the reader had told its decision")
    if (await s.ask_for("VEND CANCEL", "VEND DENIED", "VEND APPROVED")).name == "VEND APPROVED":
        await fail(s)
    await s.poll(0.5)
    await complete(s)


@SESSIONS.case("card-pulled", "The customer takes the card before choosing", hands=True)
async def card_pulled(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.customer("Take the card away, or press cancel", lambda device: device.pull())
    await s.poll_for("SESSION CANCEL REQUEST")
    await complete(s)


@SESSIONS.case("card-pulled-in-vend", "The customer takes the card while the vend is under way", hands=True)
async def card_pulled_in_vend(s: DeviceStage):
    await s.start_up()
    await card(s)
    await approved(s)
    await s.customer("Take the card away", lambda device: device.pull())
    await s.watch(1)
    await succeed(s)
    await s.poll(0.5)
    await complete(s)


@SESSIONS.case("card-needed", "A reader that needs the card until it has decided, and loses it before", needs_card=True)
async def card_needed(s: DeviceStage):
    since = await asked(s)
    await s.poll(0.3)
    s.simulated("lose its card in time").pull()
    await s.poll_for("VEND DENIED", since=since)
    await s.poll(0.5)
    await complete(s)


@SESSIONS.case("session-times-out", "A reader that wants to end a session without a step", session_s=2.0)
async def session_times_out(s: DeviceStage):
    await s.start_up()
    s.simulated("end a session itself")
    await card(s)
    await s.poll_for("SESSION CANCEL REQUEST")
    await complete(s)


# ---- enabled or not


@SESSIONS.case("disabled", "Cards are held up before the reader is enabled, and after it is disabled", hands=True)
async def disabled(s: DeviceStage):
    await s.start_up(until="READER ENABLE")
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    await s.watch(1)
    await s.ask("READER ENABLE")
    await sell(s)
    await s.ask("READER DISABLE")
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    await s.watch(1)
    await s.ask("READER ENABLE")
    await sell(s)


@SESSIONS.case("disabled-in-session", "READER DISABLE in the middle of a session, which goes on to its end", hands=True)
async def disabled_in_session(s: DeviceStage):
    await s.start_up()
    await card(s)
    await s.ask("READER DISABLE")
    await s.poll(0.3)
    if await request(s) == "VEND APPROVED":
        await succeed(s)
    await complete(s)
    await s.customer("Hold a card to the reader", lambda device: device.card(1000))
    await s.watch(1)
    await s.ask("READER ENABLE")
    await sell(s)


@SESSIONS.case("on-and-off", "READER ENABLE, DISABLE and CANCEL, each more than once")
async def on_and_off(s: DeviceStage):
    await s.start_up()
    for name in ("READER ENABLE", "READER DISABLE", "READER DISABLE", "READER ENABLE"):
        await s.ask(name)
        await s.poll(0.2)
    await s.ask_for("READER CANCEL", "CANCELLED")
    await s.poll(0.5)
