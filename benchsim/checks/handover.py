"""The commissioning of a converted machine, before it is handed over: coils, prices, temperature, test vends by coin,
bill and card, the counters; then the mains off and on, and all of it again.

Every step is told as a happening when it begins and when it ends, with what was found. The rules alone say what is to
be made of it (`judge/handover_rules.py` and others); the sheet to be signed is made from both
(`handover_sheet`).
"""

from collections.abc import Callable

from benchsim.checks.board_stage import BoardStage
from benchsim.checks.handover_steps import NAME, VENDS, Step, link_there, play, tell
from benchsim.checks.stage import SUPPLY, Case, NotReached, Plan
from benchsim.events import seconds, ticks
from benchsim.seats.till import NOT_FOR_SALE

COILS_WITHIN = 60.0  # seconds for one survey
READY_WITHIN = 20.0
HOLD = 900.0  # seconds: a compartment that is not cooled is 2 °C warmer by then, in a room of 25 °C
READING_WITHIN = 60.0
SETTLED = 8.5  # seconds for change and the last words of a card
AT_REST = 6.0  # seconds without money, before the counters are read
OFF = 5.0  # seconds without mains


def _always(s: BoardStage) -> str:
    return ""


def _operation(*names: str) -> Callable[[BoardStage], str]:
    def lacks(s: BoardStage) -> str:
        missing = [name for name in names if name not in s.bench.book.kit.by_name]
        return f"this link has no {missing[0]}" if missing else ""

    return lacks


def _cold(s: BoardStage) -> str:
    cold = s.bench.settings.cold
    if not cold.fitted or cold.setpoint[0] == 0:
        return "this machine has no cold compartment"
    return _operation("SETPOINT")(s)


def _device(seat: str) -> Callable[[BoardStage], str]:
    return lambda s: link_there("bus")(s) or ("" if seat in s.bench.devices else f"no {seat} stands on this bench")


def _auditor(s: BoardStage) -> str:
    return link_there("audit")(s) or ("" if s.bench.auditor is not None else "the audit reader is no simulated seat here")


# ---- what is expected


def planogram(settings) -> list[int]:
    """Column bits, row by row, of the coils that are planned."""
    return [sum(1 << c for c in range(settings.columns) if (r, c) not in settings.unplanned) for r in range(settings.rows)]


def places(settings) -> list[tuple[int, int]]:
    """Three positions from which can be sold, for the three test vends; the last again where there are fewer."""
    prices, not_there = settings.prices, {*settings.empty, *settings.missing, *settings.unplanned}
    found = [
        (r, c)
        for r in range(settings.rows)
        for c in range(settings.columns)
        if 0 < prices[r * settings.columns + c] < NOT_FOR_SALE and (r, c) not in not_there
    ]
    return three(found)


def three(found: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Three of these positions, far from each other; the last again where there are fewer."""
    if not found:
        raise NotReached("no position has a price and a product")
    return (found[:: max(1, len(found) // 3)] + found[-1:] * 3)[:3]


# ---- steps at the host's place


async def counters(s: BoardStage) -> str:
    """The audit counters, as somebody with a reader gets them."""
    await s.sleep(AT_REST)
    got: list = []
    s.bench.auditor.begin(got.append)
    await s.until(lambda: got, READING_WITHIN, "the reading never ended")
    if got[0].text is None:
        raise NotReached(f"no text came: {got[0].why}")
    paid = got[0].text.numbers("VA1")
    return f"paid vends so far: {paid.get('count', 0)} for {paid.get('value', 0)}"


async def _reach(s: BoardStage) -> None:
    if not await s.kit.reach(READY_WITHIN):
        raise NotReached("the board never answered RESET and IDENT")
    await s.kit.poll_for(0.5)


async def survey(s: BoardStage) -> str:
    """The coils are counted, and every row is read."""
    kit = s.kit
    tell(s, "planogram", rows=planogram(s.bench.settings))
    before = kit.names().count("SURVEY-DONE")
    answer = await kit.ask("SURVEY")
    if answer is None or answer.status:
        raise NotReached("the board takes no survey now")
    if not await kit.poll_until(lambda: kit.names().count("SURVEY-DONE") > before, COILS_WITHIN):
        raise NotReached("the board never told of the survey's end")
    return await _coils(s)


async def _coils(s: BoardStage) -> str:
    answer = await s.kit.ask("SURVEY-READ", first=0)
    if answer is None or answer.status:
        raise NotReached("the board does not tell what its survey found")
    rows, planned = answer.fields["rows"], planogram(s.bench.settings)
    said = f"{sum(row.bit_count() for row in rows)} coils, {sum(row.bit_count() for row in planned)} planned"
    other = [
        f"{'no coil' if want >> column & 1 else 'a coil'} at row {row}, column {column}"
        for row, (found, want) in enumerate(zip(rows, planned, strict=False))
        for column in range(s.bench.settings.columns)
        if (found ^ want) >> column & 1
    ]
    return said + _few(other)


async def prices(s: BoardStage) -> str:
    """The whole list is sent, and every price read back."""
    listed = s.bench.settings.prices
    tell(s, "pricelist", prices=listed, columns=s.bench.settings.columns)
    want = s.bench.settings.rows, s.bench.settings.columns
    if (s.kit.rows, s.kit.columns) != want:
        raise NotReached(f"the board has {s.kit.rows} rows of {s.kit.columns} columns, the bench file {want[0]} of {want[1]}")
    answer = await s.kit.send_table(listed)
    if answer is None or answer.status:
        raise NotReached("the board takes no price table")
    return await _prices(s)


async def _prices(s: BoardStage) -> str:
    listed, part, read = s.bench.settings.prices, s.kit.spec.part, []
    for first in range(0, len(listed), part):
        answer = await s.kit.ask("PRICE-READ", first=first, n=min(part, len(listed) - first))
        if answer is None or answer.status:
            raise NotReached("the board does not tell its prices")
        read += answer.fields["prices"]
    columns = s.bench.settings.columns
    other = [
        f"{got} at row {i // columns}, column {i % columns}, listed {want}"
        for i, (got, want) in enumerate(zip(read, listed, strict=False))
        if got != want
    ]
    return f"{min(len(read), len(listed)) - len(other)} of {len(listed)} prices as listed" + _few(other)


def _few(found: list[str]) -> str:
    """The first few of what was found."""
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return (": " + "; ".join(found[:3]) + more) if found else ""


async def setpoint(s: BoardStage) -> str:
    """Duty and temperature are set."""
    duty, tenths = s.bench.settings.cold.setpoint
    tell(s, "setpoint", duty=duty, tenths=tenths, **{"for": s.bench.settings.cold.duty})
    answer = await s.kit.ask("SETPOINT", duty=duty, tenths=tenths)
    if answer is None or answer.status:
        raise NotReached("the board does not take it")
    await s.kit.poll_for(1.0)
    return f"{tenths / 10:g} °C, {s.bench.settings.cold.duty}"


async def kept(s: BoardStage) -> str:
    """Coils and prices as the board remembers them: nothing was sent since its start."""
    found = [await _coils(s)] if s.kit.has("SURVEY-READ") else []
    found += [await _prices(s)] if s.kit.has("PRICE-READ") else []
    return "; ".join(found)


async def hold(s: BoardStage) -> str:
    """Nobody tells the board anything; it cools on, or it does not."""
    kit, before = s.kit, len(s.kit.events)
    end = s.clock.now() + ticks(HOLD)
    rest = seconds(kit.spec.limits["poll"].high) - 0.05
    while s.clock.now() < end:
        await kit.ask("POLL")
        await s.sleep(rest)
    told = [event.fields["tenths"] / 10 for event in kit.events[before:] if event.name == "TEMPERATURE"]
    if not told:
        raise NotReached(f"the board told no temperature within {HOLD:g} s")
    return f"{min(told):g} to {max(told):g} °C in {HOLD / 60:g} min, set to {s.bench.settings.cold.setpoint[1] / 10:g}"


async def power(s: BoardStage) -> str:
    """The mains are switched off, and on again."""
    s.kit  # noqa: B018  the host stays off: nobody sends anything to the board before it was asked what it kept
    await _mains(s, False)
    await s.sleep(OFF)
    s.ear.forget()
    await _mains(s, True)
    await _reach(s)
    return f"off for {OFF:g} s"


async def _mains(s: BoardStage, on: bool) -> None:
    if s.bench.board is None:
        await s.power(on)
    else:
        s.bench.supply.volts = s.bench.settings.supply["volts"] if on else 0.0


# ---- test vends, with the host


def _vend(how: str) -> Callable:
    async def vend(s: BoardStage) -> str:
        row, column = places(s.bench.settings)[VENDS.index(how)]
        await s.host_again()
        price, before = s.price(row, column), s.ear.ended(0)
        if how == "card":
            await s.card(price + 100)
        while s.host.credit < price:
            await (s.coins(price) if how == "coin" else s.bill())
        s.tap(row, column)
        await s.sold(before + 1)
        if how == "card":
            s.device("cashless1").pull()
        elif s.host.credit:
            s.device("changer").lever()
        await s.sleep(SETTLED)
        return f"row {row}, column {column} for {price}"

    return vend


STEPS = {
    step.name: step
    for step in (
        Step("counters", "Audit counters read before", ("AUD-TEXT-CHECK", "AUD-TOTALS"), _auditor, counters),
        Step("survey", "Coils counted, against the planogram", ("SYS-SURVEY",), _operation("SURVEY", "SURVEY-READ"), survey),
        Step("set-point", "Set-point sent", ("SYS-SETPOINT",), _cold, setpoint),
        Step("prices", "Prices sent, each read back", ("SYS-PRICES", "KIT-PRICE-WHOLE"), _operation("PRICE-READ"), prices),
        *(
            Step(how, f"Test vend, paid by {how}", ("SYS-PAID-OR-DELIVERED", "SYS-ONE-COIL", "SYS-MONEY"), _device(seat), _vend(how))
            for how, seat in zip(VENDS, ("changer", "validator", "cashless1"), strict=True)
        ),
        Step("audit", "Audit counters, against what was sold", ("AUD-SOLD", "AUD-TOTALS", "AUD-TEXT-CHECK"), _auditor, counters),
        Step("power", "Mains off and on", (), _always, power),
        Step("kept", "Coils and prices asked, before anything was sent", ("SYS-SURVEY", "SYS-PRICES"), _always, kept),
        Step("hold", "Temperature watched, with nobody setting it again", ("SYS-SETPOINT", "SYS-COLD"), _cold, hold),
    )
}
FIRST = ("counters", "survey", "set-point", "prices", *VENDS, "audit")
AGAIN = ("power", "kept", "hold", "survey", "set-point", "prices", *VENDS, "audit")


async def commission(s: BoardStage) -> None:
    """All steps, twice."""
    await _reach(s)
    await play(s, STEPS, FIRST, AGAIN)


CASE = Case(NAME, "Coils, prices, temperature, test vends and counters; the mains off and on; all of it again", ("kit",), commission, hands=SUPPLY)
PLANS = {seat: Plan(seat, {NAME: CASE}, BoardStage, ("bus", "kit", "audit")) for seat in (None, "board")}
