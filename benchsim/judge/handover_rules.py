"""What holds of a machine that is handed over: coils as planned, prices and temperature as set, counters that tell
what was sold. What is expected, the plan of a commissioning tells beside the links ("planogram", "pricelist",
"setpoint", "step").
"""

from collections import Counter

from benchsim.judge.books import DELIVERED, Vends
from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment

CASE = "commissioning"
NOT_PLANNED = "nothing was told of what is expected here (a commissioning does)"
DRIFT = 20  # tenths of °C above the coldest air since it was set, or the set-point; common practice
NO_COOLING = 0  # duty, kit link reference
FREE = 0  # price


@rule("SYS-SURVEY", "board", link="kit", source="kit link reference", unseen=NOT_PLANNED, of=CASE)
def coils_as_planned(tally, judge):
    """The survey finds a coil at every position where the planogram has one, and at no other; so it is told again
    after a loss of power.
    """
    board = judge.book.kit.answers
    planned = None  # column bits, row by row
    surveyed = False

    def planogram(happening):
        nonlocal planned
        planned = happening.data["rows"]

    def events(x, heard, fresh):
        nonlocal surveyed
        for event in fresh:
            if event.name == "SURVEY-DONE":
                surveyed = True
                if planned is not None and event.fields["coils"]:
                    want = sum(row.bit_count() for row in planned)
                    found = event.fields["coils"]
                    tally.check(board, found == want, heard, "" if found == want else f"{found} coils, {want} are planned")

    def answer(x, heard):
        if x.name != "SURVEY-READ" or not x.ok or not x.first.message or planned is None or not surveyed:
            return
        first, rows = x.fields["first"], heard.message.fields["rows"]
        wrong = [
            f"row {first + i}, column {column}: {'a coil' if found >> column & 1 else 'no coil'}"
            for i, (found, want) in enumerate(zip(rows, planned[first:], strict=False))
            for column in range(16)
            if (found ^ want) >> column & 1
        ]
        lacking = [] if len(rows) == len(planned) - first else [f"{len(rows)} rows from row {first} on"]
        tally.check(board, not wrong + lacking, heard, "; ".join((wrong + lacking)[:4]))

    return {"happening.planogram": planogram, "kit.events": events, "kit.answer": answer}


@rule("SYS-PRICES", "board", link="kit", source="kit link reference", unseen=NOT_PLANNED, of=CASE)
def prices_as_listed(tally, judge):
    """Every price read back from the board is that of the price list, also after a loss of power."""
    board = judge.book.kit.answers
    listed = None  # by position, row by row

    def pricelist(happening):
        nonlocal listed
        listed = happening.data["prices"]

    def answer(x, heard):
        if x.name != "PRICE-READ" or not x.ok or not x.first.message or listed is None:
            return
        first, prices = x.fields["first"], heard.message.fields["prices"]
        wants = listed[first : first + x.fields["n"]]
        wrong = [f"position {first + i}: {got}, listed {want}" for i, (got, want) in enumerate(zip(prices, wants, strict=False)) if got != want]
        if len(prices) != len(wants):
            wrong.append(f"{len(prices)} prices for {len(wants)} positions")
        tally.check(board, not wrong, heard, "; ".join(wrong[:4]))

    return {"happening.pricelist": pricelist, "kit.answer": answer}


@rule("SYS-SETPOINT", "board", link="kit", source="common practice; perishable food: FDA Food Code 2022, 3-501.16",
      confidence="B", unseen=NOT_PLANNED, of=CASE)  # fmt: skip
def temperature_as_set(tally, judge):
    """The set-point is taken, and held with the door closed, also after a loss of power: the air told is never more
    than 2 °C above the set-point, or above the coldest that was told since.
    """
    board = judge.book.kit.answers
    wanted = coldest = None
    is_open = False

    def setpoint(happening):
        nonlocal wanted, coldest
        duty, tenths = happening.data["duty"], happening.data["tenths"]
        wanted, coldest = None if duty == NO_COOLING else tenths, None

    def answer(x, heard):
        if x.name == "SETPOINT" and wanted is not None and x.first.message and not x.repeat:
            tally.check(board, x.ok, heard, "" if x.ok else "the set-point is not taken")

    def events(x, heard, fresh):
        nonlocal coldest, is_open
        for event in fresh:
            if event.name == "DOOR":
                is_open, coldest = bool(event.fields["open"]), None
            elif event.name == "TEMPERATURE" and wanted is not None and not is_open:
                air = event.fields["tenths"]
                coldest = air if coldest is None else min(coldest, air)
                most = max(wanted, coldest) + DRIFT
                held = air <= most
                tally.check(board, held, heard, "" if held else f"{air / 10} °C, set to {wanted / 10}, coldest {coldest / 10}")

    return {"happening.setpoint": setpoint, "kit.answer": answer, "kit.events": events}


@rule("AUD-SOLD", "board", link="audit", source="EVA DTS 6.1, from memory", confidence="B",
      unseen="no two readings of the counters, with what was sold in between")  # fmt: skip
def counters_tell_what_was_sold(tally, judge):
    """From one reading of the audit counters to the next they grow by what was sold: count and value of paid vends
    (VA1), cash and card together the same, and by position what was sold there (PA2).
    """
    vends = Vends()
    sold: Counter = Counter()  # (row, column, price) -> delivered since the last reading
    before = None  # the last text, if no vend was under way
    ended = -1  # when the last vend was told to be over

    def answer(x, heard):
        vends.answer(x)

    def events(x, heard, fresh):
        nonlocal ended
        for event in fresh:
            if event.name == "VEND-DONE":
                ended = heard.start
                vend = vends.done(event)
                if vend and event.fields["outcome"] == DELIVERED and vend["price"] != FREE:
                    sold[vend["row"], vend["column"], vend["price"]] += 1

    def text(read, heard):
        nonlocal before
        at_rest = not vends.open and ended < heard.since  # which moment of a session a text is of, nobody knows
        if before is not None and at_rest:
            wrong = _differences(before, read, sold)
            tally.check(heard.seat, not wrong, heard, "; ".join(wrong[:3]))
        before = read if at_rest else None
        sold.clear()

    def restart(seat):
        if seat == judge.book.kit.answers:
            vends.open.clear()

    return {"kit.request": vends.request, "kit.answer": answer, "kit.events": events, "kit.restart": restart, "audit.text": text}


def _differences(before, now, sold: Counter) -> list[str]:
    """What the counters say other than what was sold between two texts."""
    grown = {name: _grown(before.numbers(name), now.numbers(name)) for name in ("VA1", "CA2", "DA2")}
    count, value = sum(sold.values()), sum(price * n for (_, _, price), n in sold.items())
    wrong = []
    if grown["VA1"] != (count, value):
        wrong.append(f"VA1 tells {_said(*grown['VA1'])}, sold were {_said(count, value)}")
    parts = tuple(a + b for a, b in zip(grown["CA2"], grown["DA2"], strict=True))
    if parts != grown["VA1"]:
        wrong.append(f"cash and card together {_said(*parts)}, VA1 {_said(*grown['VA1'])}")
    then = before.products()
    told = Counter(_grown(then.get(name, {}), product) for name, product in now.products().items())
    places: Counter = Counter()
    for (row, column, price), n in sold.items():
        places[row, column] += n
    values = Counter({place: sum(p * n for (r, c, p), n in sold.items() if (r, c) == place) for place in places})
    want = Counter((n, values[place]) for place, n in places.items())
    del told[0, 0]
    if told != want:
        wrong.append("by position PA2 tells " + _each(told) + ", sold were " + _each(want))
    return wrong


def _grown(before: dict[str, int], now: dict[str, int]) -> tuple[int, int]:
    return now.get("count", 0) - before.get("count", 0), now.get("value", 0) - before.get("value", 0)


def _said(count: int, value: int) -> str:
    return f"{count} for {value}"


def _each(counts: Counter) -> str:
    return ", ".join(_said(*one) for one in sorted(counts.elements())) or "nothing"


@rule("SYS-HANDOVER", "subject board", source="common practice", unseen="no step was reached", of=CASE)
def every_step_done(tally, judge):
    """Every step of a commissioning is done that this machine has the parts for."""
    seat = judge.subject or judge.book.kit.answers

    def step(happening):
        state, name = happening.data["state"], happening.data["name"]
        if state in ("ends", "left"):
            told = happening.data["found"]
            tally.check(seat, state == "ends", Moment(happening.time, f"{name}: {told}"), "")

    return {"happening.step": step}
