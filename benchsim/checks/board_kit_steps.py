"""Steps that cases of the kit link share; they need that link alone.

Everything is free in them (a price of 0), so that no money has to go in; the products may really fall.
"""

from benchsim.checks.board_asker import FREE, KitAsker
from benchsim.checks.board_stage import READY_WITHIN, SALE, BoardStage
from benchsim.checks.stage import Cases, NotReached

CASES = Cases("kit")
case = CASES.case
VEND_WITHIN = 15.0  # seconds for one vend


async def reached(s: BoardStage) -> KitAsker:
    """The board answers, and has said who it is."""
    if not await s.kit.reach(READY_WITHIN):
        raise NotReached("the board never answered RESET and IDENT")
    return s.kit


async def priced(s: BoardStage, price: int = FREE) -> KitAsker:
    """A whole price table is in force."""
    kit = await reached(s)
    taken = await kit.send_table(kit.table(price))
    if taken is None or taken.status:
        raise NotReached("the board took no price table")
    return kit


async def on_sale(s: BoardStage, price: int = FREE) -> KitAsker:
    """The sale is open, and the board has told all it had to tell."""
    kit = await priced(s, price)
    await kit.ask("OPEN-SALE")
    if not await kit.poll_until(lambda: kit.state == SALE, 5.0):
        raise NotReached("the board never opened the sale")
    await kit.poll_for(0.5)
    return kit


async def vend(kit: KitAsker, price: int = FREE, repeats: int = 0) -> None:
    """A sale at row 0, column 0, to its end. `repeats`: the VEND is said so many times more."""
    before = kit.names().count("VEND-DONE")
    answer = await kit.ask("VEND", row=0, column=0, price=price)
    if answer is None or answer.status:
        raise NotReached("the board took no VEND of a free product")
    for _ in range(repeats):
        await kit.repeat()
    if not await kit.poll_until(lambda: kit.names().count("VEND-DONE") > before, VEND_WITHIN):
        raise NotReached("the board never told of the vend's end")
    await kit.poll_for(0.5)


async def read_back(kit: KitAsker) -> None:
    """The whole table in force, in parts, where the link can tell it."""
    cells = kit.rows * kit.columns
    for first in range(0, cells, kit.spec.part):
        await kit.ask_if("PRICE-READ", first=first, n=min(kit.spec.part, cells - first))
