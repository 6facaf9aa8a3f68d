"""The plan for a universal satellite under test (MDB/ICP 4.3, universal satellite devices): requests and vends.

The layouts below the codes of its commands are not certain: what a satellite makes of them may warn, never fail.
"""

from benchsim.checks.device_cases import COMMON, CaseList, start_ups
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.device_legal import common
from benchsim.checks.device_variants import EarlyModeBit
from benchsim.checks.stage import Plan, Variant
from benchsim.schema import load_book
from benchsim.seats.satellite import Satellite

PLACE = {"row": 0, "column": 1}
ITEMS = CaseList()


async def picked(s: DeviceStage) -> dict:
    """A customer picks an item. Returns its place, as the satellite tells it."""
    await s.customer("Choose an item at the satellite", lambda device: device.pick(**PLACE))
    told = (await s.poll_for("ITEM REQUEST")).fields
    return {"row": told["row"], "column": told["column"]}


@ITEMS.case("vend", "An item is asked for, granted and delivered", hands=True)
async def vend(s: DeviceStage):
    await s.start_up()
    await s.ask("FUNDS", funds=500)
    await s.ask("VEND GRANTED", **await picked(s))
    await s.poll_for("ITEM STATUS", within=20)
    await s.poll(0.5)


@ITEMS.case("refused", "An item is asked for and refused, then another", hands=True)
async def refused(s: DeviceStage):
    await s.start_up()
    for _ in range(2):
        await picked(s)
        await s.ask("VEND REFUSED")
        await s.poll(0.5)


@ITEMS.case("our-choice", "The controller picks the item itself")
async def our_choice(s: DeviceStage):
    await s.start_up()
    await s.ask("VEND ITEM", **PLACE)
    await s.poll_for("ITEM STATUS", within=20)
    await s.poll(0.5)


@ITEMS.case("told-again", "What the satellite tells gets RET, NAK and no reply first", hands=True)
async def told_again(s: DeviceStage):
    await s.start_up()
    s.reply_with("RET", "NAK", None, "ACK")
    await s.ask("VEND GRANTED", **await picked(s))
    s.reply_with(None, "NAK", "RET", "ACK")
    await s.poll_for("ITEM STATUS", within=20)
    await s.poll(0.5)


@ITEMS.case("disabled", "Somebody chooses while control is disabled", hands=True)
async def disabled(s: DeviceStage):
    await s.start_up()
    await s.ask("CONTROL DISABLE")
    await s.customer("Choose an item at the satellite", lambda device: device.pick(**PLACE))
    await s.watch(1)
    await s.ask("CONTROL ENABLE")
    await s.poll(0.5)


@ITEMS.case("unanswered", "A request is not answered, and granted when it is too late", wait_s=2, hands=True)
async def unanswered(s: DeviceStage):
    await s.start_up()
    place = await picked(s)
    await s.poll(3)
    await s.ask("VEND GRANTED", **place)
    await s.poll(0.5)


@ITEMS.case("jammed", "An item does not fall")
async def jammed(s: DeviceStage):
    await s.start_up()
    s.simulated("jam").jammed.add((PLACE["row"], PLACE["column"]))
    await s.ask("VEND GRANTED", **await picked(s))
    await s.poll_for("ITEM STATUS", within=20)


@ITEMS.case("reset-in-vend", "RESET while an item is asked for, and while it is delivered", hands=True)
async def reset_in_vend(s: DeviceStage):
    await s.start_up()
    await picked(s)
    await s.reset()
    await s.set_up()
    await s.ask("VEND GRANTED", **await picked(s))
    await s.poll(0.5)
    await s.reset()
    await s.set_up()
    await s.poll(3)


def _plan(seat: str, variants: tuple[Variant, ...] = ()) -> Plan:
    cases = start_ups(load_book().devices["satellite"], seat) | COMMON.of(seat) | ITEMS.of(seat)
    return Plan(seat, cases, DeviceStage, ("bus",), variants, alone=True)


# The three differ in their address alone: the first one's plan is put to the self-test.
PLANS = (
    _plan("satellite1", common("satellite1", Satellite, without=(EarlyModeBit,))), _plan("satellite2"), _plan("satellite3"),
)  # fmt: skip
