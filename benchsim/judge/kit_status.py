"""Kit link, board: what it takes, and how it refuses. Source: kit link reference.

Only what nothing unheard could excuse is judged: a door that opens or a coil that ends its turn changes the
board's state between two answers, but nothing of that kind identifies a board or opens its sale.
"""

from benchsim.judge.kit_sale import NOT_FOR_SALE, SALE_OPEN
from benchsim.judge.registry import rule

OK, BAD_ARGUMENT, WRONG_STATE, BUSY, LOCKED_OUT, NO_CREDIT = 0, 3, 4, 5, 6, 7
_TABLE = {BAD_ARGUMENT, WRONG_STATE, BUSY, LOCKED_OUT}
# How a well-formed request may be refused.
REFUSALS = {
    "RESET": set(), "IDENT": set(), "POLL": set(), "CLOCK": set(), "COUNTERS": set(),
    "OPEN-SALE": {WRONG_STATE, LOCKED_OUT}, "CLOSE-SALE": {WRONG_STATE, LOCKED_OUT},
    "VEND": {BAD_ARGUMENT, WRONG_STATE, BUSY, LOCKED_OUT, NO_CREDIT}, "REFUND": {WRONG_STATE},
    "PRICE-BEGIN": _TABLE, "PRICE-PART": _TABLE, "PRICE-COMMIT": _TABLE, "PRICE-READ": {BAD_ARGUMENT, WRONG_STATE},
    "SETPOINT": _TABLE, "SURVEY": {WRONG_STATE, BUSY, LOCKED_OUT}, "SURVEY-READ": {BAD_ARGUMENT, WRONG_STATE},
}  # fmt: skip
ALWAYS = ("RESET", "IDENT", "POLL", "CLOCK", "COUNTERS")  # taken in any state
LEADS = {"IDENT": "identified", "PRICE-COMMIT": "priced", "OPEN-SALE": "open"}
VENDING = 4  # state in the answer to POLL


@rule("KIT-STATUS", "board", link="kit", source="kit link reference")
def takes_only_what_it_may(tally, judge):
    """A request is refused only with a status that can apply to it, and none is taken that the session does not
    allow: before IDENT nothing but questions, no sale without a table, no VEND outside the sale.
    """
    spec = judge.book.kit
    board = spec.answers
    may = {}  # "identified", "priced", "open" -> can the board be so? Not there: nothing is known
    was = {}  # the same before the last request

    def why_not(x) -> str:
        """Why the board may not take this request, or "" where it may."""
        if x.name not in ALWAYS and was.get("identified") is False:
            return "taken before IDENT"
        if x.name == "OPEN-SALE" and was.get("priced") is False:
            return "no table was sent in this session"
        if x.name == "VEND" and was.get("open") is False:
            return "taken outside the sale"
        if x.name == "VEND" and x.fields["price"] == NOT_FOR_SALE:
            return "sells what is not for sale"
        return ""

    def request(x):
        if x.repeat:
            return
        was.clear()
        was.update(may)
        if x.name in LEADS:
            may[LEADS[x.name]] = True  # it may be carried out though its answer is lost

    def answer(x, heard):
        if x.repeat or x.first.message is None:
            return
        if x.ok:
            why = why_not(x)
            tally.check(board, not why, heard, why)
            learn(x, heard)
            return
        told = spec.values.told("status", x.status)
        fits = not told.isdisjoint(REFUSALS.get(x.name, told))
        tally.check(board, fits, heard, "" if fits else f"status {x.status} cannot apply to {x.name}")
        may.clear()
        may.update(was)

    def learn(x, heard):
        if x.name == "RESET":
            may.update(identified=False, priced=False, open=False)
        elif x.name == "CLOSE-SALE":
            may["open"] = False
        elif x.name == "POLL" and heard.message.fields["state"] != VENDING:
            may["open"] = heard.message.fields["state"] == SALE_OPEN

    def restart(seat):
        if seat == board:
            may.clear()
            was.clear()

    return {"kit.request": request, "kit.answer": answer, "kit.restart": restart}
