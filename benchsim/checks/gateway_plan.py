"""The plan for a communications gateway under test (MDB/ICP 4.3 §8): reports, the link to the network, control.

The layouts below the codes of its commands are not certain: what a gateway makes of them may warn, never fail.
"""

from benchsim.checks.device_cases import COMMON, CaseList, start_ups
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.device_legal import common
from benchsim.checks.device_variants import EarlyModeBit
from benchsim.checks.stage import SUPPLY, Plan
from benchsim.schema import load_book
from benchsim.seats.gateway import Gateway

# A sale of 1.25 by coins, 2026-01-05 08:00; item 17.
SALE = {
    "kind": 1, "item": 0x17, "price": 125, "box": 0, "tubes": 125, "bills": 0, "cashless1": 0, "cashless2": 0,
    "revalue1": 0, "revalue2": 0, "paid_out": 0, "discount": 0, "surcharge": 0, "group": 0, "list": 0,
    "date": "20260105", "time": "0800",
}  # fmt: skip
EVENT = {"event": "EA1", "date": "20260105", "time": "0800", "duration": 0, "active": 1}
REPORTS = CaseList()


async def transmit(s: DeviceStage, since: int | None = None) -> None:
    """The gateway asks to send (or has, from `since` in `heard` on), and may."""
    await s.poll_for("TRANSMIT REQUEST", since=since)
    await s.ask("CONTROL TRANSMIT")
    await s.poll_for("DATA TRANSMITTED", within=20)


@REPORTS.case("reports", "A sale, an event, an asset and a currency are reported, and sent")
async def reports(s: DeviceStage):
    await s.start_up()
    since = len(s.heard)
    await s.ask("REPORT TRANSACTION", **SALE)
    await s.ask_for("REPORT EVENT", "EVENT TAKEN", **EVENT)
    await s.ask("REPORT ASSET", asset="MACHINE 1")
    await s.keep_polling()
    await s.ask("REPORT CURRENCY", currency="1978")
    await s.ask("TIME AND DATE", stamp="26010508000001010000")
    await transmit(s, since)
    await s.poll(0.5)


@REPORTS.case("told-again", "What the gateway tells gets RET, NAK and no reply first")
async def told_again(s: DeviceStage):
    await s.start_up()
    s.reply_with("RET", "NAK", None, "ACK")
    await s.ask("REPORT TRANSACTION", **SALE)
    await s.poll_for("TRANSMIT REQUEST")
    await s.ask("CONTROL TRANSMIT")
    s.reply_with(None, "NAK", "RET", "ACK")
    await s.poll_for("DATA TRANSMITTED", within=20)
    await s.poll(0.5)


@REPORTS.case("disabled", "Reports while control is disabled; it is enabled after them")
async def disabled(s: DeviceStage):
    await s.start_up()
    await s.ask("CONTROL DISABLE")
    await s.poll(0.2)
    await s.ask("REPORT TRANSACTION", **SALE)
    await s.poll(1)
    await s.ask("CONTROL ENABLE")
    await transmit(s)


@REPORTS.case("link-lost", "The link to the network is lost while a report waits, and comes back")
async def link_lost(s: DeviceStage):
    await s.start_up()
    device = s.simulated("lose its link to the network")
    device.link(0)
    await s.poll_for("ERROR")
    await s.ask("REPORT TRANSACTION", **SALE)
    await s.poll(1)
    device.link(20)
    await transmit(s)


@REPORTS.case("reset-while-sending", "RESET comes while the gateway sends")
async def reset_while_sending(s: DeviceStage):
    await s.start_up()
    await s.ask("REPORT TRANSACTION", **SALE)
    await s.poll_for("TRANSMIT REQUEST")
    await s.ask("CONTROL TRANSMIT")
    await s.poll(0.5)
    await s.reset()
    await s.set_up()
    await s.poll(2)


@REPORTS.case("restart", "The gateway loses its supply for a moment", hands=SUPPLY)
async def restart(s: DeviceStage):
    await s.restarted()
    await s.poll(1)


PLAN = Plan("gateway", start_ups(load_book().devices["gateway"], "gateway") | COMMON.of("gateway")
            | REPORTS.of("gateway"), DeviceStage, ("bus",), common("gateway", Gateway, without=(EarlyModeBit,)), alone=True)  # fmt: skip
