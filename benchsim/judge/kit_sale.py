"""Kit link, host: what it may sell, given what the board told it. Source: kit link reference."""

from benchsim.judge.registry import rule

REFERENCE = "kit link reference"
SALE_OPEN, VENDING, LOCKED_OUT, SERVICE = 3, 4, 5, 6  # states in the answer to POLL
UNKNOWN_FUNDS = 0xFFFFFFFF
NOT_FOR_SALE = 0xFFFF
LOCKED_OUT_STATUS = 6


@rule("KIT-PRICE-WHOLE", "board host", link="kit", limit="price_tries")
def tables_whole(tally, judge):
    """Board: the price table in force changes only at a good PRICE-COMMIT. Host: the parts of a table are
    whole and in order, its check is right, and a refused table is sent no more often than the limit says.
    """
    spec = judge.book.kit
    board, host = spec.answers, tally.of(spec.asks)

    def request(x):
        prices = judge.kit_talk.prices
        if x.repeat or x.first.message is None or (x.before is None and not judge.kit_talk.whole):
            return
        known = prices.rows is not None
        if x.name == "PRICE-BEGIN" and known:
            right = prices.rows * prices.columns
            host.check(x.fields["entries"] == right, x.first, f"the grid has {right} positions")
        elif x.name == "PRICE-PART" and known:
            at = len(prices.staged)
            right = prices.entries is not None and x.fields["first"] == at
            host.check(right, x.first, "" if right else f"the part from {at} on was due" if prices.entries is not None
                       else "no table was begun")  # fmt: skip
        elif x.name == "PRICE-COMMIT" and known:
            host.check(prices.whole, x.first, f"{len(prices.staged)} of {prices.entries} prices sent")
            if prices.whole:
                host.check(x.fields["check"] == prices.check, x.first, "the check does not fit the prices sent")
            host.measure(prices.refused + 1, x.first)

    def answer(x, heard):
        if x.repeat or not x.ok or x.first.message is None:
            return
        prices = judge.kit_talk.prices
        if x.name == "PRICE-COMMIT" and prices.rows is not None:
            good = prices.whole and x.fields["check"] == prices.check
            tally.check(board, good, heard, "" if good else "takes a table that is not whole or whose check is wrong")
        elif x.name == "PRICE-READ" and prices.force:
            first, n = x.fields["first"], x.fields["n"]
            read = tuple(heard.message.fields["prices"])
            good = any(read == table[first : first + n] for table in prices.force)
            tally.check(board, good, heard, "" if good else "not the prices of the last good table")
        elif x.name == "VEND":
            may_be = prices.price(x.fields["row"], x.fields["column"])
            if may_be:
                good = x.fields["price"] in may_be
                tally.check(board, good, heard, "" if good else "sells at a price that is not in force")

    return {"kit.request": request, "kit.answer": answer}


@rule("KIT-SALE-STATE", "host", link="kit", source=REFERENCE)
def sells_only_what_it_may(tally, judge):
    """VEND is asked only while the sale is open, at the price in force, with the credit for it (where the
    customer's funds are known).
    """
    spec = judge.book.kit
    host = tally.of(spec.asks)
    state = credit = None

    def request(x):
        nonlocal state
        if x.name == "RESET":
            state = 0
        if x.name != "VEND" or x.first.message is None or x.repeat:
            return
        ok, text = judged(x.fields)
        if ok is not None:
            host.check(ok, x.first, text)

    def judged(asked):
        """(None, "") where the host's knowledge is not known here."""
        if state is not None and state != SALE_OPEN:
            return False, f"the sale is not open (state {spec.states.get(state, state)})"
        prices = judge.kit_talk.prices
        in_force = prices.price(asked["row"], asked["column"])
        if prices.columns is not None and not (asked["row"] < prices.rows and asked["column"] < prices.columns):
            return False, "no such position"
        if in_force and (asked["price"] not in in_force or asked["price"] == NOT_FOR_SALE):
            return False, f"the price in force is {' or '.join(map(str, sorted(in_force)))}"
        if credit not in (None, UNKNOWN_FUNDS) and credit < asked["price"]:
            return False, f"the credit is {credit}"
        return (None, "") if state is None else (True, "")

    def answer(x, heard):
        nonlocal state, credit
        if not x.ok:
            return
        if x.name == "POLL":
            state, credit = heard.message.fields["state"], heard.message.fields["credit"]
        elif x.name == "OPEN-SALE":
            state = SALE_OPEN
        elif x.name == "CLOSE-SALE":
            state = 2
        elif x.name == "VEND":
            state = VENDING
            if credit not in (None, UNKNOWN_FUNDS) and x.first.message:
                credit = max(0, credit - x.fields["price"])
        elif x.name == "REFUND":
            credit = None

    def restart(seat):
        nonlocal state, credit
        if seat == spec.asks:
            state = credit = None

    return {"kit.request": request, "kit.answer": answer, "kit.restart": restart}


@rule("KIT-LOCKOUT", "host", link="kit", source=REFERENCE)
def sells_nothing_locked_out(tally, judge):
    """After an intact answer told of a lock-out or an open door there is no VEND until one told that the
    sale is open.
    """
    host = tally.of(judge.book.kit.asks)
    told = None  # the answer that told of it

    def request(x):
        if x.name == "VEND" and told is not None:
            host.check(False, x.first, "the board had told of a lock-out or an open door")

    def answer(x, heard):
        nonlocal told
        if tells_open(x, heard):
            if told is not None:
                host.check(True, told)
            told = None
        elif told is None and tells_locked(x, heard):
            told = heard

    def end(tick):
        if told is not None and judge.kit_talk.current.answer is not told:
            host.check(True, told)

    def restart(seat):
        nonlocal told
        if seat == judge.book.kit.asks:
            told = None

    return {"kit.request": request, "kit.answer": answer, "kit.restart": restart, "end": end}


def tells_open(x, heard) -> bool:
    """Does this answer say that the sale is open?"""
    return x.ok and (x.name == "OPEN-SALE" or (x.name == "POLL" and heard.message.fields["state"] == SALE_OPEN))


def tells_locked(x, heard) -> bool:
    """Does this answer tell of a lock-out or an open door?"""
    if x.status == LOCKED_OUT_STATUS:
        return True
    if x.name != "POLL" or not x.ok:
        return False
    fields = heard.message.fields
    return fields["state"] in (LOCKED_OUT, SERVICE) or any(
        (e.name == "LOCKOUT" and e.fields["set"]) or (e.name == "DOOR" and e.fields["open"]) for e in fields["events"]
    )
