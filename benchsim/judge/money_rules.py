"""Money over all links: what went in must be sold, paid out or still be there; a paid vend ends well."""

from benchsim.judge.books import DELIVERED, Cashier
from benchsim.judge.registry import rule

NO_MACHINE = "what happens off the links (coins, bills, coils, door) is not told here"
NO_DEVICES = "coins and bills go into devices that the bench does not see into"


def off_the_links(tally, judge, seats) -> dict:
    """Calls that tell why a rule was not tested where nothing off the links is told."""
    told = []

    def end(tick):
        if not told:
            for seat in seats:
                tally.unseen(seat, NO_MACHINE)

    return {"happening": lambda happening: told or happening.kind == "case" or told.append(1), "end": end}


@rule("SYS-MONEY", judged="board", link="kit", source="kit link reference; common practice")
def money(tally, judge):
    """At every quiet moment money in = sales + change paid + credit held; no coin, bill or charge is lost or made."""
    board = judge.book.kit.answers

    def settled(heard):
        books = cashier.books
        if not books.changed or not books.seen:
            return
        books.changed = False
        tally.check(board, books.missing == 0, heard, books.text())
        books.base -= books.missing  # told once, then the books go on from here

    def end(tick):
        if cashier.books.blind:
            tally.unseen(board, NO_DEVICES)

    cashier = Cashier(judge, settled, lambda *_: None)
    sight = off_the_links(tally, judge, [board])
    return cashier.calls() | sight | {"end": lambda tick: (end(tick), sight["end"](tick))}


@rule("SYS-PAID-OR-DELIVERED", judged="board", link="kit", source="kit link reference")
def paid_or_delivered(tally, judge):
    """A paid vend ends delivered, credited back, or not charged."""
    board = judge.book.kit.answers
    drops = []  # ticks at which something fell
    coils = []  # told at all
    given_back = []  # VENDs that failed, until the books can tell

    def ended(vend, outcome, heard):
        since = vend["at"].start
        if not vend["price"]:
            return
        if outcome is None:
            if vend["taken"]:
                tally.check(board, False, vend["at"], "taken, and no VEND-DONE tells of its end")
        elif outcome == DELIVERED:
            if coils:
                fell = any(tick >= since for tick in drops)
                tally.check(board, fell, heard, "" if fell else "told as delivered, and nothing fell")
        elif any(asked >= since for _, asked in cashier.charges):
            tally.check(board, False, heard, "charged, and not delivered")
        else:
            given_back.append(vend)

    def settled(heard):
        books = cashier.books
        if given_back:
            back = books.missing <= 0
            tally.check(board, back, given_back[-1]["at"], "" if back else f"not delivered: {books.text()}")
            given_back.clear()
            books.base -= books.missing

    cashier = Cashier(judge, settled, ended)
    calls = cashier.calls()
    calls["happening.drop"] = lambda h: drops.append(h.time)
    calls["happening.coil"] = lambda h: coils or coils.append(1)
    return calls | off_the_links(tally, judge, [board])
