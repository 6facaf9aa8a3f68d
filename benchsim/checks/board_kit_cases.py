"""Cases of the board plan on the kit link: a good host, repeats, lost answers, and money while the host is slow."""

from benchsim.checks.board_asker import FREE
from benchsim.checks.board_kit_steps import (
    VEND_WITHIN,
    case,
    on_sale,
    priced,
    reached,
    read_back,
    vend,
)
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.stage import NotReached
from benchsim.events import seconds

NOT_FOR_SALE = 0xFFFF
HARMLESS = ("IDENT", "POLL", "COUNTERS", "CLOCK", "PRICE-READ", "SURVEY-READ")
VALUES = {"CLOCK": {"utc": 1_767_600_000}, "PRICE-READ": {"first": 0, "n": 4}, "SURVEY-READ": {"first": 0}}


# ---- a good host


@case("kit-start", "Nothing: a host starts, asks for everything once, and opens the sale")
async def start(s: BoardStage):
    kit = await priced(s)
    for name in HARMLESS:
        await kit.ask_if(name, **VALUES.get(name, {}))
    await kit.ask_if("SETPOINT", duty=2, tenths=40)
    await kit.ask("OPEN-SALE")
    await kit.poll_for(1.0)
    await kit.ask("CLOSE-SALE")
    await kit.poll_for(0.5)
    await kit.ask("OPEN-SALE")
    await kit.poll_for(1.0)


@case("kit-slow-host", "The host asks as seldom as is legal")
async def slow_host(s: BoardStage):
    kit = await on_sale(s)
    for _ in range(16):
        await kit.ask("POLL")
        await s.sleep(seconds(kit.spec.limits["poll"].high) - 0.005)


@case("kit-quick-host", "The host asks again the moment that it has its answer, 100 times")
async def quick_host(s: BoardStage):
    kit = await on_sale(s)
    for i in range(100):
        name = HARMLESS[i % len(HARMLESS)]
        await kit.ask_if(name, **VALUES.get(name, {}))
    await kit.poll_for(0.5)


@case("kit-vend", "A free product is sold")
async def free_vend(s: BoardStage):
    kit = await on_sale(s)
    await vend(kit)


@case("kit-odd-prices", "A table in which every price is another, flag and escape bytes among them, in odd parts")
async def odd_prices(s: BoardStage):
    kit = await reached(s)
    prices = [(0x7D7E + 0x0101 * i) % NOT_FOR_SALE for i in range(kit.rows * kit.columns)]
    await kit.ask("PRICE-BEGIN", entries=len(prices))
    first = 0
    while first < len(prices):
        part = prices[first : first + 1 + first % 11]
        await kit.ask("PRICE-PART", first=first, n=len(part), prices=part)
        await kit.ask("POLL")
        first += len(part)
    await kit.ask("PRICE-COMMIT", check=kit.check_of(prices))
    await read_back(kit)


@case("kit-survey", "The coils are counted, while the host goes on asking; then a product is sold")
async def survey(s: BoardStage):
    kit = await priced(s)
    await kit.ask("SURVEY")
    await kit.repeat()
    for name in ("SURVEY", "SETPOINT", "POLL"):
        await kit.ask(name, **({"duty": 2, "tenths": 40} if name == "SETPOINT" else {}))
    if not await kit.poll_until(lambda: "SURVEY-DONE" in kit.names(), 30.0):
        raise NotReached("the survey never ended")
    for row in range(kit.rows):
        await kit.ask("SURVEY-READ", first=row)
    await kit.ask("OPEN-SALE")
    await kit.poll_for(0.5)


@case("kit-long-run", "The count of requests goes round once")
async def long_run(s: BoardStage):
    kit = await on_sale(s)
    for _ in range(280):
        await kit.ask("POLL")
        await s.sleep(0.02)


# ---- repeats, lost answers, events


@case("kit-repeats", "Every harmless request is said three times, as if its answers had been lost")
async def repeats(s: BoardStage):
    kit = await on_sale(s)
    for name in filter(kit.has, HARMLESS):
        await kit.ask(name, **VALUES.get(name, {}))
        await s.sleep(0.06)
        await kit.repeat()
        await s.sleep(0.06)
        await kit.repeat()
    await kit.poll_for(0.5)


@case("kit-vend-repeated", "A VEND is said four times, as if its answers had been lost: one product may fall")
async def vend_repeated(s: BoardStage):
    kit = await on_sale(s)
    await vend(kit, repeats=3)
    await vend(kit, repeats=1)
    await kit.poll_for(0.5)


@case("kit-vend-retold", "A VEND is said again after its product has fallen, nothing else having been said")
async def vend_retold(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    for _ in range(6):
        await s.sleep(0.7)
        await kit.repeat()
    await kit.poll_until(lambda: "VEND-DONE" in kit.names(), VEND_WITHIN)
    await kit.poll_for(1.0)


@case("kit-table-repeated", "Every request of a price table is said twice: the table must be the same")
async def table_repeated(s: BoardStage):
    kit = await reached(s)
    prices = [5 * i for i in range(kit.rows * kit.columns)]
    await kit.ask("PRICE-BEGIN", entries=len(prices))
    await kit.repeat()
    for first in range(0, len(prices), 16):
        part = prices[first : first + 16]
        await kit.ask("PRICE-PART", first=first, n=len(part), prices=part)
        await kit.repeat()
    await kit.ask("PRICE-COMMIT", check=kit.check_of(prices))
    await kit.repeat()
    await read_back(kit)


@case("kit-events-lost", "The answers that tell of a vend are lost, up to the RESET: all must be told again")
async def events_lost(s: BoardStage):
    kit = await on_sale(s)
    await kit.ask("VEND", row=0, column=0, price=FREE)
    await kit.poll_until(lambda: "VEND-DONE" in kit.names(), VEND_WITHIN)
    for _ in range(3):
        await s.sleep(0.06)
        await kit.repeat()
    await kit.ask("RESET")
    await kit.ask("POLL")
    await kit.ask("RESET")
    await s.sleep(0.6)
    await kit.ask("RESET")
    await kit.ask("POLL")
    await kit.poll_for(1.0)


@case("kit-never-taken", "The host counts its requests by twos: nothing counts as taken, all is told again and again")
async def never_taken(s: BoardStage):
    kit = await on_sale(s)
    for _ in range(2):
        await kit.ask("VEND", row=0, column=0, price=FREE)
        await kit.poll_for(4.0, step=2)
    await kit.poll_for(1.0)


@case("kit-same-seq", "A new request with the `seq` of the one before, and requests whose `seq` leaps")
async def same_seq(s: BoardStage):
    kit = await on_sale(s)
    for name, step in ((kit.harmless, 0), ("IDENT", 0), ("POLL", 0), (kit.harmless, 100), ("POLL", 255), ("POLL", 1)):
        await kit.ask(name, step)
        await s.sleep(0.05)
    await kit.poll_for(0.5)
