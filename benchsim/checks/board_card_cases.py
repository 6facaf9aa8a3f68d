"""Cases of the board plan in which people pay by card: approved, denied, late, pulled out, out of step."""

from benchsim.checks.board_sale_cases import RICH, SETTLED, case, change
from benchsim.checks.board_stage import BoardStage, corrupt


@case("sale-card", "A customer holds a card up and taps; the sale is approved")
async def sale_card(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.sold()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-wide", "The same with 32-bit money", seats={"cashless1": {"level": 3, "wide": True}})
async def card_wide(s: BoardStage):
    await s.on_sale()
    await s.card(100_000)
    s.tap()
    await s.sold()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-level-1", "The same with a reader of level 1", seats={"cashless1": {"level": 1}})
async def card_level_1(s: BoardStage):
    await sale_card(s)


@case("card-scaled", "The same with a reader that counts in steps of five", seats={"cashless1": {"scale": 5}})
async def card_scaled(s: BoardStage):
    await sale_card(s)


@case("card-single", "A reader that allows one vend in a session", seats={"cashless1": {"multivend": False}})
async def card_single(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.sold()
    await s.sleep(3 + SETTLED)


@case("card-multivend", "Three products in one session")
async def card_multivend(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    for n in (1, 2, 3):
        s.tap(0, n)
        await s.sold(n)
        await s.sleep(0.5)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-funds-unknown", "A card that does not tell its funds")
async def card_unknown(s: BoardStage):
    await s.on_sale()
    await s.card(None)
    s.tap()
    await s.sold()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-denied", "The card's account is empty when the sale is asked for")
async def card_denied(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.device("cashless1").funds = 0
    s.tap()
    await s.ended()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-asked-at-once", "A reader that decides in place of its ACK", seats={"cashless1": {"decide_s": 0}})
async def card_at_once(s: BoardStage):
    await sale_card(s)


@case("card-approved-late", "The approval comes 1.5 s after the reader's own response time",
      seats={"cashless1": {"decide_s": 3.5, "response_s": 2}})  # fmt: skip
async def card_late(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.ended()
    await s.sleep(3)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-approved-binding", "An approval that no cancel can take back comes just too late",
      seats={"cashless1": {"decide_s": 5.05, "binding": True}})  # fmt: skip
async def card_binding(s: BoardStage):
    await card_late(s)


@case("card-never-answers", "The reader never answers the request for a sale",
      seats={"cashless1": {"response_s": 3}})  # fmt: skip
async def card_never(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.device("cashless1").never_answers = True
    s.tap()
    await s.ended()
    await s.sleep(4)
    s.device("cashless1").never_answers = False
    await s.sleep(SETTLED)


@case("card-pulled-in-vend", "The card is taken away while the product is on its way")
async def card_pulled(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.vending()
    await s.sleep(1.2)
    s.device("cashless1").pull()
    await s.ended()
    await s.sleep(2 + SETTLED)


@case("card-pulled-when-asked", "The card is taken away while the reader decides, and the sale is denied for it",
      seats={"cashless1": {"needs_card": True, "decide_s": 2.0}})  # fmt: skip
async def card_pulled_early(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.vending()
    await s.sleep(0.3)
    s.device("cashless1").pull()
    await s.ended()
    await s.sleep(2 + SETTLED)


@case("card-disturbed", "The answers to the request for a sale, and to its outcome, are lost or have a wrong bit")
async def card_disturbed(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.spoil("cashless1", 1, corrupt, "VEND REQUEST")
    s.spoil("cashless1", 1, corrupt, "VEND SUCCESS")
    s.tap()
    await s.sold()
    await s.sleep(1)
    s.spoil("cashless1", 1, corrupt, "SESSION COMPLETE")
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-out-of-sequence", "The reader has lost its session when the sale is asked for")
async def card_out_of_sequence(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.device("cashless1").lose_session()
    s.tap()
    await s.ended()
    await s.enabled("cashless1")
    await s.sleep(6)


@case("card-reset-in-vend", "The reader resets itself while the product is on its way")
async def card_reset(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.vending()
    await s.sleep(1.5)
    s.device("cashless1").restart()
    await s.ended()
    await s.enabled("cashless1")
    await s.sleep(SETTLED)


@case("card-reset-when-asked", "The reader resets itself while it decides")
async def card_reset_asked(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.tap()
    await s.vending()
    s.device("cashless1").restart()
    await s.ended()
    await s.enabled("cashless1")
    await s.sleep(SETTLED)


@case("card-silent-in-session", "The reader says nothing for seven seconds of its session")
async def card_silent(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    s.device("cashless1").quiet(7.0)
    await s.sleep(8)
    await s.enabled("cashless1")
    await s.sleep(SETTLED)


@case("card-refund-fails", "Nothing falls, and the reader cannot give the money back", hands=True,
      seats={"cashless1": {"refunds": False}})  # fmt: skip
async def card_refund_fails(s: BoardStage):
    await s.on_sale()
    await s.nothing_falls()
    await s.card(RICH)
    s.tap()
    await s.ended()
    await s.sleep(2)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


@case("card-left", "A card is left in the reader and nobody buys: its session may not stay open for ever")
async def card_left(s: BoardStage):
    await s.on_sale()
    await s.card(RICH)
    await s.sleep(63)


@case("mixed-cash-and-card", "Coins first, the rest from the card")
async def mixed(s: BoardStage):
    await s.on_sale()
    await s.coins(50)
    await s.card(RICH)
    s.tap()
    await s.sold()
    await s.sleep(1)
    s.device("cashless1").pull()
    await s.sleep(2)
    await change(s, 2)


@case("two-readers", "A card is held to each of two readers, one after the other", seats={"cashless2": {}})
async def two_readers(s: BoardStage):
    await s.on_sale()
    await s.enabled("cashless1", "cashless2")
    await s.card(RICH)
    s.device("cashless2").card(500)
    await s.sleep(0.5)
    s.tap()
    await s.sold()
    s.device("cashless1").pull()
    await s.sleep(3)
    await s.card(500, "cashless2")
    s.tap(0, 1)
    await s.sold(2)
    s.device("cashless2").pull()
    await s.sleep(SETTLED)


@case("two-cards-at-once", "Cards are held to two readers in the same moment", seats={"cashless2": {}})
async def two_cards(s: BoardStage):
    await s.on_sale()
    await s.enabled("cashless1", "cashless2")
    for seat in ("cashless1", "cashless2"):
        s.device(seat).card(RICH)
    await s.sleep(1.5)
    s.tap()
    await s.sold()
    for seat in ("cashless1", "cashless2"):
        s.device(seat).pull()
    await s.sleep(3 + SETTLED)


@case("cash-sales-told", "A reader that wants to be told of cash sales", seats={"cashless1": {"cash_sales": True}})
async def cash_sales(s: BoardStage):
    await s.on_sale()
    await s.coins(s.price())
    s.tap()
    await s.sold()
    await s.sleep(1)
    await change(s, 1)
