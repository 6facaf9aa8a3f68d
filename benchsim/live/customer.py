"""A customer or technician who needs only to be told "a coin": which one is chosen here. Each act gives a line to tell."""

from collections.abc import Callable

from benchsim.live import hands

FUNDS = 1000  # of the customer's card, minor units
DEAR = 100  # a coin is worth no more, if there is such a one


class Customer:
    """Acts at one bench. At a real seat it is up to whoever stands there, and the line says so."""

    def __init__(self, bench):
        self.bench = bench
        self._selection = -1

    def coin(self) -> str:
        """Put in a coin: the most valuable that is taken and not over 100, any one if none is taken."""
        changer = self.bench.devices.get("changer")
        if changer is None:
            return _by_hand("changer", "put in a coin")
        types = [i for i in range(16) if changer.value(i)]
        open_now = [i for i in types if changer.takes(i)] or types
        coin = max((i for i in open_now if changer.value(i) <= DEAR), key=changer.value, default=open_now[0])
        return hands.coin(self.bench, coin)

    def bill(self) -> str:
        """Put in the smallest bill that is taken, or the smallest at all."""
        validator = self.bench.devices.get("validator")
        if validator is None:
            return _by_hand("validator", "put in a bill")
        types = [i for i in range(16) if validator.value(i)]
        bill = min([i for i in types if validator.takes(i)] or types, key=validator.value)
        return hands.bill(self.bench, bill)

    def card(self) -> str:
        """Hold up a card, or take the one that is there."""
        reader = self.bench.devices.get("cashless1")
        if reader is None:
            return _by_hand("cashless1", "hold up or take a card")
        return hands.card_away(self.bench) if reader.card_in else hands.card(self.bench, FUNDS)

    def lever(self) -> str:
        """Press the return lever."""
        if "changer" not in self.bench.devices:
            return _by_hand("changer", "press the return lever")
        return hands.lever(self.bench)

    def tap(self) -> str:
        """Tap the next selection on the panel."""
        if self.bench.panel is None:
            return _by_hand("panel", "tap a selection")
        rows, columns = self.bench.settings.rows, self.bench.settings.columns
        self._selection = (self._selection + 1) % (rows * columns)
        return hands.tap(self.bench, *divmod(self._selection, columns))

    def door(self) -> str:
        """Open the door, or close it."""
        if self.bench.board is None:
            return _by_hand("board", "open or close the door")
        return hands.door(self.bench, not self.bench.door.open)

    def button(self) -> str:
        """Push the service button behind the door."""
        if self.bench.board is None:
            return _by_hand("board", "push the service button")
        return hands.button(self.bench)

    def audit(self) -> str:
        """Read the audit counters."""
        if self.bench.auditor is None:
            return _by_hand("auditor", "read the counters")
        return hands.audit(self.bench)


KEYS: dict[str, tuple[str, Callable[[Customer], str]]] = {
    "c": ("coin", Customer.coin),
    "b": ("bill", Customer.bill),
    "k": ("card", Customer.card),
    "l": ("lever", Customer.lever),
    "t": ("tap", Customer.tap),
    "d": ("door", Customer.door),
    "a": ("audit read", Customer.audit),
    "s": ("service button", Customer.button),
}


def _by_hand(seat: str, act: str) -> str:
    return f"the {seat} is no simulated seat here: {act} by hand"
