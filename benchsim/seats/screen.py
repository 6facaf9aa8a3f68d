"""What the customer reads on the touchscreen: our own words, one line of message above the grid."""

from dataclasses import dataclass

STARTING = "Please wait, starting up"
NO_BOARD = "Out of order: no word from the machine"
NO_PANEL = "Out of order: touch panel silent"
NO_PRICES = "Out of order: price list not taken"
DOOR_OPEN = "Door open: selling later"
LOCKED = "Out of order: food is not sold after warm storage"
READY = "Choose a product"
TURNING = "One moment, your product is coming"
SOLD = "Thank you. Please take your product"
NOT_DELIVERED = "Sorry, no product came. Your credit is back"
REFUSED = "The card was not accepted"
SOLD_OUT = "Not for sale, please choose another"


@dataclass
class Screen:
    """Message, credit (minor units, None unknown) and the price shown for a selection without credit."""

    message: str = STARTING
    credit: int | None = 0
    needed: int | None = None

    @property
    def text(self) -> str:
        """One line for logs."""
        credit = "unknown" if self.credit is None else f"{self.credit / 100:.2f}"
        needed = "" if self.needed is None else f" | price {self.needed / 100:.2f}"
        return f"{self.message} | credit {credit}{needed}"
