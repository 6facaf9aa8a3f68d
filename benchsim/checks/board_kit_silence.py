"""Cases of the board plan on the kit link: silence, RESET, and requests while a product is sold."""

from benchsim.checks.board_asker import FREE, KitAsker
from benchsim.checks.board_kit_steps import VEND_WITHIN, case, on_sale
from benchsim.checks.board_stage import READY_WITHIN, BoardStage
from benchsim.checks.stage import NotReached
from benchsim.events import ticks
from benchsim.links.kit_frames import body_at, one_bit_wrong, wrap


async def silent(s: BoardStage, seconds: float) -> KitAsker:
    """Nothing for so long after the last POLL; then the host polls on and opens the sale again."""
    kit = await on_sale(s)
    await kit.silence(seconds)
    await kit.poll_for(0.5)
    await kit.ask("OPEN-SALE")
    await kit.poll_for(0.5)
    return kit


@case("kit-silence-short", "The host is silent almost as long as the board bears it: the sale stays open")
async def silence_short(s: BoardStage):
    await silent(s, s.kit.short_silence)


@case("kit-silence", "The host is silent for longer than the board bears it: it leaves the sale and tells of it once")
async def silence(s: BoardStage):
    kit = await silent(s, s.kit.long_silence)
    await kit.silence(kit.long_silence)
    await kit.poll_for(0.5)


@case("kit-silence-repeat", "The host is silent for longer than the board bears it, then repeats its last request")
async def silence_repeat(s: BoardStage):
    kit = await on_sale(s)
    await kit.silence(kit.long_silence)
    await kit.repeat()
    await kit.poll_for(1.0)


@case("kit-noise-is-silence", "For as long the host says only frames with a wrong check: that is silence too")
async def noise(s: BoardStage):
    kit = await on_sale(s)
    bad = one_bit_wrong(kit.spec, wrap(kit.spec, kit.spec.build_request("POLL", 77 % kit.spec.seqs)), body_at(kit.spec) + 2)
    end = s.clock.now() + ticks(kit.long_silence)
    while s.clock.now() < end:
        await kit.say(bad)
        await s.sleep(0.22)
    await kit.poll_for(1.0)


@case("kit-silence-in-vend", "The host falls silent while a product is sold, and comes back after 4 s")
async def silence_in_vend(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    await kit.silence(4.0)
    await kit.poll_for(2.0)


@case("kit-reset-in-sale", "RESET while the sale is open: the session begins anew")
async def reset_in_sale(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("RESET")
    await kit.poll_for(0.3)
    await kit.ask("IDENT")
    await kit.poll_for(0.3)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    await kit.ask("OPEN-SALE")  # no table was sent in this session
    await kit.send_table(kit.table(FREE))
    await kit.ask("OPEN-SALE")
    await kit.poll_for(0.5)


@case("kit-reset-in-vend", "RESET, twice, while a product is sold: the sale goes on to its end, and is told")
async def reset_in_vend(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    await s.sleep(0.3)
    await kit.ask("RESET")
    await s.sleep(0.6)
    await kit.ask("RESET")
    await kit.ask("IDENT")
    if not await kit.poll_until(lambda: "VEND-DONE" in kit.names(), VEND_WITHIN):
        raise NotReached("the board never told of the vend's end")
    await kit.poll_for(0.5)


@case("kit-busy", "While a product is sold the host asks for another, for a table and for a survey")
async def busy(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    for name, fields in (
        ("VEND", {"row": 0, "column": 1, "price": FREE}), ("PRICE-BEGIN", {"entries": kit.rows * kit.columns}),
        ("SURVEY", {}), ("OPEN-SALE", {}), ("CLOSE-SALE", {}), ("REFUND", {}),
    ):  # fmt: skip
        await kit.ask_if(name, **fields)
        await kit.ask("POLL")
    await kit.poll_until(lambda: "VEND-DONE" in kit.names(), VEND_WITHIN)
    await kit.poll_for(3.0)


@case("queue-full", "Coins go in, one after another, while nothing that the board tells is ever taken", "bus")
async def queue_full(s: BoardStage):
    kit = await on_sale(s, 60_000)
    changer, seen = s.device("changer"), 0
    for _ in range(30):
        await kit.poll_for(0.25, step=2)
        taken = [i for i in range(16) if changer.takes(i)]
        if taken:
            changer.insert(min(taken, key=changer.value))
            seen += 1
    if not seen:
        raise NotReached("the changer took no coin")
    await kit.poll_for(3.0)
    changer.lever()
    await kit.poll_for(12.0)


@case("stacker-fills-up", "The last bill fills the bill validator's stacker, while more bills would be welcome", "bus",
      seats={"validator": {"stacked": 399, "capacity": 400}})  # fmt: skip
async def stacker_fills_up(s: BoardStage):
    kit = await on_sale(s, 60_000)
    if not await kit.poll_until(lambda: s.takes("validator"), READY_WITHIN):
        raise NotReached("the validator was never enabled")
    s.small_bill()
    await kit.poll_for(10.0)
    s.device("changer").lever()
    await kit.poll_for(9.0)
