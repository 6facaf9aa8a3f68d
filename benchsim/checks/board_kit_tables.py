"""Cases of the board plan on the kit link: price tables that are none."""

from benchsim.checks.board_asker import FREE, KitAsker
from benchsim.checks.board_kit_steps import case, priced, read_back, vend
from benchsim.checks.board_stage import BoardStage


async def old_table(s: BoardStage, price: int = 50) -> KitAsker:
    """A good table is in force, and read back once."""
    kit = await priced(s, price)
    await read_back(kit)
    return kit


@case("kit-half-table", "A second table is half sent and never committed: the first stays in force, and nothing is sold yet")
async def half_table(s: BoardStage):
    kit = await old_table(s)
    await kit.ask("PRICE-BEGIN", entries=kit.rows * kit.columns)
    await kit.ask("PRICE-PART", first=0, n=2, prices=[100, 100])
    await read_back(kit)
    await kit.ask("POLL")
    await kit.ask("VEND", row=0, column=0, price=50)
    await kit.ask("OPEN-SALE")
    await kit.ask("VEND", row=0, column=0, price=100)
    await kit.poll_for(0.5)


@case("kit-bad-commit", "A second table is committed with a wrong check, then another with a hole in it")
async def bad_commit(s: BoardStage):
    kit = await old_table(s)
    table = kit.table(100)
    await kit.send_table(table, check=kit.check_of(table) ^ 1)
    await read_back(kit)
    await kit.ask("PRICE-COMMIT", check=kit.check_of(table))  # the refused one was dropped
    await read_back(kit)
    await kit.ask("PRICE-BEGIN", entries=len(table))
    await kit.ask("PRICE-PART", first=0, n=2, prices=[100, 100])
    await kit.ask("PRICE-PART", first=4, n=2, prices=[100, 100])
    await kit.ask("PRICE-COMMIT", check=kit.check_of([100] * 4))
    await read_back(kit)
    await kit.poll_for(0.3)


@case("kit-table-cut-by-reset", "RESET comes in the middle of a second table: what was staged is gone")
async def table_cut(s: BoardStage):
    kit = await old_table(s)
    table = kit.table(100)
    await kit.send_table(table, commit=False)
    await kit.ask("RESET")
    await kit.ask("IDENT")
    await kit.ask("PRICE-COMMIT", check=kit.check_of(table))
    await read_back(kit)
    await kit.poll_for(0.3)


@case("kit-second-table", "A second table, good this time, is in force at once")
async def second_table(s: BoardStage):
    kit = await old_table(s)
    await kit.send_table(kit.table(FREE))
    await read_back(kit)
    await kit.ask("OPEN-SALE")
    await vend(kit)
