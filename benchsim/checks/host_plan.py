"""The plan for a host under test: what the board does to it, case by case.

Each case begins with the board's power-on. What a case provokes is legal or an accident of daily life; the
rules alone say what the host should have made of it.
"""

from benchsim.checks.customers import buy, change, choice, paid
from benchsim.checks.host_legal import LEGAL
from benchsim.checks.host_stage import HostStage
from benchsim.checks.host_variants import VARIANTS
from benchsim.checks.stage import SUPPLY, Cases, Plan

CASES = Cases("kit")
case = CASES.case


@case("start-up", "Nothing: the board is switched on and waits for the host")
async def start_up(s: HostStage):
    await s.on_sale()
    await s.sleep(2)


@case("polling", "Nothing: five quiet seconds on sale")
async def polling(s: HostStage):
    await s.on_sale()
    await s.sleep(5)


@case("answer-lost", "One answer to a POLL is lost")
async def answer_lost(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.lose(1, "POLL")
    await s.sleep(2)


@case("three-answers-lost", "All answers to one POLL are lost but that to the last try")
async def three_answers_lost(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.lose(s.tries - 1)
    await s.sleep(2)


@case("four-answers-lost", "All answers to one POLL are lost: the link is down until a RESET is answered")
async def four_answers_lost(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.lose(s.tries)
    await s.sleep(1.5)
    await s.on_sale()
    await s.sleep(1)


@case("answer-corrupt", "One bit of two answers is wrong")
async def answer_corrupt(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.corrupt(1)
    await s.sleep(1)
    s.corrupt(1)
    await s.sleep(1.5)


@case("frame-cut", "An answer comes in two pieces, too far apart: the frame is void")
async def frame_cut(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.split(1, s.long_gap_ms)
    await s.sleep(2)


@case("link-cut", "The cable is out for a second")
async def link_cut(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    await s.cut_kit(1.0)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("late-answers", "Every answer starts 1 ms before its time is over: late but legal")
async def late_answers(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.delay(30, s.latest_ms - 1)
    await s.sleep(4)


@case("board-silent", "The board says nothing for three seconds")
async def board_silent(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.lose(10_000)
    await s.sleep(3)
    s.board.tricks.clear()
    await s.sleep(1.2)
    await s.on_sale()
    await s.sleep(1)


@case("reboot-idle", "The board loses its supply for a moment, nobody is buying")
async def reboot_idle(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    await s.reboot(cause=0)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("host-power-cut", "The host loses its supply for four seconds, with credit in the machine", hands=SUPPLY)
async def host_power_cut(s: HostStage):
    await s.on_sale()
    await s.coins(3)
    await s.host_off_for(4)
    await s.on_sale()
    await s.told()
    await s.sleep(1)


@case("quick-reboot", "The board's watchdog restarts it so fast that the host's own tries bridge it")
async def quick_reboot(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    await s.reboot(off=0.01, cause=1, boot=0.1)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("brown-out", "The board browns out and tells so at its next start")
async def brown_out(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    await s.reboot(off=2.5, cause=2)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("events-again", "A coin is told, the host's receipt is lost: it is offered again after a RESET; then a tap")
async def events_again(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    for _ in range((s.price(0, 0) - 1) // 50 - 1):
        await s.coins(3)
    await s.until(lambda: s.bench.devices["changer"].takes(3), 12, "the changer was never enabled")
    await s.lose_the_receipt(lambda: s.bench.devices["changer"].insert(3))
    await s.sleep(1.2)
    await s.on_sale()
    await s.told()
    s.tap(0, 0)  # a host that took the coin twice now sells for less than the price
    await s.sleep(2)


@case("prices-refused-once", "The first price table is refused at its commit")
async def prices_refused_once(s: HostStage):
    s.board.refuse_commits = 1
    await s.on_sale()
    await s.sleep(1)


@case("prices-refused", "Every price table is refused at its commit")
async def prices_refused(s: HostStage):
    s.board.refuse_commits = 10_000
    await s.sleep(8)


@case("door-cycle", "The door is opened and closed while nobody buys")
async def door_cycle(s: HostStage):
    await s.on_sale()
    await s.sleep(0.3)
    s.board.door(True)
    await s.sleep(2)
    s.board.door(False)
    await s.on_sale()
    await s.sleep(1)


@case("idle-credit", "A coin is put in and nobody uses the credit: it stays until the customer asks")
async def idle_credit(s: HostStage):
    await s.on_sale()
    await s.coins(3)
    await s.sleep(6)


@case("sale-coin", "A customer pays with coins and taps", "panel")
async def sale_coin(s: HostStage):
    await s.on_sale()
    await buy(s, "coin", choice(s))
    await s.sleep(1)


@case("sale-bill", "A customer pays with a bill, taps, and takes the change by the lever", "panel")
async def sale_bill(s: HostStage):
    await s.on_sale()
    await buy(s, "bill", choice(s, 1, 2))
    await change(s)


@case("sale-card", "A customer holds a card to the reader and taps", "panel")
async def sale_card(s: HostStage):
    await s.on_sale()
    await buy(s, "card", choice(s, 2, 1))
    await s.sleep(2)


@case("tap-without-credit", "A customer taps before paying", "panel")
async def tap_without_credit(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.tap(*choice(s, 0, 1))
    await s.sleep(2)


@case("tap-with-too-little", "A customer taps with less credit than the price", "panel")
async def tap_with_too_little(s: HostStage):
    await s.on_sale()
    await s.coins(0)
    s.tap(*choice(s, 0, 1))
    await s.sleep(2)


@case("vend-answer-lost", "The answer to a VEND is lost", "panel")
async def vend_answer_lost(s: HostStage):
    place = await paid(s)
    s.lose(1, "VEND")
    s.tap(*place)
    await s.sold()
    await s.sleep(1)


@case("vend-answers-all-lost", "All answers to a VEND are lost", "panel")
async def vend_answers_all_lost(s: HostStage):
    place = await paid(s)
    s.lose(s.tries, "VEND")
    s.tap(*place)
    await s.sold()
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("reboot-in-vend", "The board loses its supply while the coil turns", "panel")
async def reboot_in_vend(s: HostStage):
    place = await paid(s)
    s.tap(*place)
    await s.until(lambda: s.board.till.vending, 6, "the host sent no VEND after the tap")
    await s.sleep(0.4)
    await s.reboot(off=0.5, cause=2)
    await s.sleep(1)
    await s.on_sale()
    await s.sleep(1)


@case("board-back", "The board's watchdog restarts it; half a minute later the machine must sell again")
async def board_back(s: HostStage):
    await s.on_sale()
    with s.fault("board-restarts"):
        await s.reboot(off=0.3, cause=1)
    await s.sleep(34)


@case("no-drop", "The coil turns and nothing falls: the price goes back to the credit", "panel")
async def no_drop(s: HostStage):
    place = await paid(s)
    s.bench.coils.empty.add(place)
    s.tap(*place)
    await s.until(lambda: s.board.till.vending, 6, "the host sent no VEND after the tap")
    await s.sleep(4)


@case("tap-locked-out", "Food was stored too warm before the start: locked out, with credit, and a tap", "panel")
async def tap_locked_out(s: HostStage):
    s.board.memory.lockout = 1
    s.board.memory.cash = 500
    await s.until(lambda: s.board.identified, 20, "the host never asked for the board's identity")
    await s.sleep(2)
    s.tap(*choice(s))
    await s.sleep(3)


@case("tap-door-open", "The door is opened with credit in the machine, and somebody taps", "panel")
async def tap_door_open(s: HostStage):
    place = await paid(s)
    s.board.door(True)
    await s.sleep(1)
    s.tap(*place)
    await s.sleep(2)
    s.board.door(False)
    await s.on_sale()
    await s.sleep(1)


@case("stuck-touch", "The panel reports a touch for 62 s, with credit in the machine", "panel")
async def stuck_touch(s: HostStage):
    await paid(s)
    s.bench.panel.press(100, 100)
    await s.sleep(62)
    s.bench.panel.release()
    await s.sleep(2)


@case("panel-silent", "The panel's cable is out for five seconds", "panel")
async def panel_silent(s: HostStage):
    await s.on_sale()
    await s.sleep(0.5)
    s.bench.panel.power_off()
    await s.sleep(5)
    s.bench.panel.power_on()
    await s.sleep(2)


PLAN = Plan("host", CASES, HostStage, ("kit", "panel"), VARIANTS + LEGAL)
