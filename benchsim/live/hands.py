"""Single acts at simulated seats: a coin goes in, the door opens. Each is done at once and gives a line to tell.

Who chooses the coin is somebody else: a key of a live bench (`customer`), a button of the page.
"""

from benchsim.seats.screen import money

UNKNOWN = -1  # funds of a card that its reader does not tell


def coin(bench, kind: int) -> str:
    """Put in a coin of that type."""
    return _put_in("coin", bench.devices["changer"], kind)


def bill(bench, kind: int) -> str:
    """Put in a bill of that type."""
    return _put_in("bill", bench.devices["validator"], kind)


def _put_in(what: str, device, kind: int) -> str:
    taken = device.takes(kind)
    device.insert(kind)
    return f"{what} {money(device.value(kind))} put in{_unless(taken)}"


def card(bench, funds: int) -> str:
    """Hold up a card with so much on it, minor units, or `UNKNOWN`."""
    reader = bench.devices["cashless1"]
    if reader.card_in:
        return "a card is held up already"
    told = "unknown funds" if funds == UNKNOWN else money(funds)
    return f"card with {told} held up{_unless(reader.card(None if funds == UNKNOWN else funds))}"


def card_away(bench) -> str:
    """Take the card away."""
    bench.devices["cashless1"].pull()
    return "card taken away"


def lever(bench) -> str:
    """Press the return lever."""
    bench.devices["changer"].lever()
    return "return lever pressed"


def tap(bench, row: int, column: int) -> str:
    """Tap a selection on the panel."""
    bench.panel.tap(row, column, bench.settings.rows, bench.settings.columns)
    return f"row {row}, column {column} tapped"


def door(bench, is_open: int) -> str:
    """Open the door, or close it."""
    bench.door.move(bool(is_open))
    return f"door {'opened' if is_open else 'closed'}"


def button(bench) -> str:
    """Push the service button behind the door."""
    bench.door.press()
    return "service button pushed" if bench.door.open else "the door is closed: nobody reaches the service button"


def audit(bench) -> str:
    """Plug the audit reader in and read."""
    if bench.auditor.busy:
        return "the audit reader reads already"
    bench.auditor.begin(lambda reading: None)
    return "audit reader plugged in"


def _unless(taken: bool) -> str:
    return "" if taken else ", not taken now"
