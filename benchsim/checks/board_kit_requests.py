"""Cases of the board plan on the kit link: good frames that ask for what cannot be."""

from benchsim.checks.board_asker import FREE
from benchsim.checks.board_kit_steps import (
    case,
    on_sale,
    priced,
)
from benchsim.checks.board_stage import READY_WITHIN, BoardStage
from benchsim.checks.stage import NotReached
from benchsim.events import ticks
from benchsim.schema.kit_meanings import OPERATIONS

NOT_FOR_SALE = 0xFFFF
VALUES = {"CLOCK": {"utc": 1_767_600_000}, "PRICE-READ": {"first": 0, "n": 4}, "SURVEY-READ": {"first": 0}}


@case("kit-unknown", "Operations that the link does not have")
async def unknown(s: BoardStage):
    kit = await on_sale(s)
    most = kit.spec.answer_bit or 0x100
    for op in [op for op in (0x00, 0x11, 0x2A, 0x7E, 0x7F) if op not in kit.spec.operations and op < most]:
        await kit.exchange(kit.spec.request_head.of(op, kit.next_seq()))
        await kit.repeat()
        await kit.ask("POLL")


@case("kit-wrong-length", "Every operation with a byte too many, and with one too few where it has any")
async def wrong_length(s: BoardStage):
    kit = await priced(s)
    values = VALUES | {
        "VEND": {"row": 0, "column": 0, "price": FREE}, "PRICE-BEGIN": {"entries": 1}, "PRICE-COMMIT": {"check": 0},
        "PRICE-PART": {"first": 0, "n": 1, "prices": [0]}, "SETPOINT": {"duty": 2, "tenths": 40},
    }  # fmt: skip
    head = kit.spec.request_head
    for operation in kit.spec.operations.values():
        if operation.name not in OPERATIONS:
            continue
        payload = kit.request(operation.name, **values.get(operation.name, {}))[head.size :]
        for wrong in (payload + b"\x00", payload[:-1] if payload else b"\x00\x00"):
            await kit.exchange(head.of(operation.code, kit.next_seq()) + wrong)
        await kit.ask("POLL")


@case("kit-bad-arguments", "Places, parts and figures outside what the machine has")
async def bad_arguments(s: BoardStage):
    kit = await priced(s)
    cells = kit.rows * kit.columns
    for name, fields in (
        ("PRICE-BEGIN", {"entries": cells + 1}), ("PRICE-BEGIN", {"entries": 0}),
        ("PRICE-PART", {"first": 0, "n": 1, "prices": [100]}), ("PRICE-COMMIT", {"check": 0}),
        ("PRICE-READ", {"first": cells, "n": 1}), ("PRICE-READ", {"first": cells - 1, "n": 2}),
        ("SURVEY-READ", {"first": kit.rows}),
    ):  # fmt: skip
        await kit.ask_if(name, **fields)
        await kit.ask("POLL")
    await kit.ask("OPEN-SALE")
    for row, column, price in ((kit.rows, 0, FREE), (0, kit.columns, FREE), (0, 0, 5), (0, 0, NOT_FOR_SALE)):
        await kit.ask("VEND", row=row, column=column, price=price)
        await kit.ask("POLL")
    await kit.poll_for(2.5)


@case("kit-no-credit", "A product that costs something is asked for without any credit")
async def no_credit(s: BoardStage):
    kit = await on_sale(s, 150)
    for _ in range(3):
        await kit.ask("VEND", row=0, column=0, price=150)
        await kit.poll_for(0.3)
    await kit.poll_for(3.0)


@case("kit-not-for-sale", "A product whose price says that it is not for sale is asked for")
async def not_for_sale(s: BoardStage):
    kit = await on_sale(s, NOT_FOR_SALE)
    await kit.ask("VEND", row=0, column=0, price=NOT_FOR_SALE)
    await kit.poll_for(3.0)


@case("kit-wrong-state", "VEND, OPEN-SALE, tables and a survey at times when the board may not take them")
async def wrong_state(s: BoardStage):
    kit = s.kit
    while not await kit.ask("RESET"):
        await s.sleep(0.6)
        if s.clock.now() > ticks(READY_WITHIN):
            raise NotReached("the board never answered RESET")
    wants = (
        ("VEND", {"row": 0, "column": 0, "price": FREE}), ("OPEN-SALE", {}), ("PRICE-BEGIN", {"entries": 1}),
        ("SURVEY", {}), ("REFUND", {}), ("PRICE-READ", {"first": 0, "n": 1}),
    )  # fmt: skip
    for name, fields in wants:
        await kit.ask_if(name, **fields)
    await kit.poll_for(0.3)
    await kit.ask("IDENT")
    for name, fields in wants[:2]:
        await kit.ask(name, **fields)
    await kit.poll_for(0.3)
    kit = await on_sale(s)
    for name, fields in (*wants[2:4], ("SETPOINT", {"duty": 1, "tenths": 30}), ("OPEN-SALE", {})):
        await kit.ask_if(name, **fields)
    await kit.poll_for(2.5)
