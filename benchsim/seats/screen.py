"""What is read on the touchscreen: our own words, one message above the grid of selections; behind an open door the
service page. Whoever draws it (a page in a browser, a line in a log) reads this and nothing else of the host.

    causes      why it is out of order, the gravest first; the first one is the message while there is any
    said        the message of the sale otherwise
"""

from dataclasses import dataclass, field

from benchsim.seats.service_page import ServicePage

STARTING = "Please wait, starting up"
NO_BOARD = "Out of order: no word from the machine"
NO_PANEL = "Out of order: touch panel silent"
PANEL_HELD = "Out of order: something lies on the touch panel"
NO_PRICES = "Out of order: price list not taken"
DOOR_OPEN = "Door open: selling later"
LOCKED = "Out of order: food is not sold after warm storage"
LOCKED_BLIND = "Out of order: nobody knows how warm the food is"
PAUSED = "One moment, please"
READY = "Choose a product"
TURNING = "One moment, your product is coming"
SOLD = "Thank you. Please take your product"
NOT_DELIVERED = "Sorry, no product came. Your credit is back"
REFUSED = "The card was not accepted"
SOLD_OUT = "Not for sale, please choose another"

SALE_PAGE, SERVICE_PAGE = "sale", "service"


@dataclass
class Screen:
    """All that is shown. Money in minor units; `credit` None: unknown; `needed`: the price of a selection that was
    tapped without credit for it; `grid`: prices row by row, None where nothing is for sale, empty while not known.
    """

    said: str = STARTING
    causes: tuple[str, ...] = ()
    credit: int | None = 0
    needed: int | None = None
    page: str = SALE_PAGE
    grid: list[list[int | None]] = field(default_factory=list)
    service: ServicePage = field(default_factory=ServicePage)

    @property
    def message(self) -> str:
        """What a customer reads."""
        return self.causes[0] if self.causes else DOOR_OPEN if self.page == SERVICE_PAGE else self.said

    @property
    def text(self) -> str:
        """One line for logs."""
        credit = "unknown" if self.credit is None else money(self.credit)
        needed = "" if self.needed is None else f" | price {money(self.needed)}"
        return f"{self.message} | credit {credit}{needed}"

    def shown(self) -> tuple:
        """What a change of is told."""
        return self.message, self.causes, self.credit, self.needed, self.page


def money(minor: int) -> str:
    """As people read it."""
    return f"{minor / 100:.2f}"
