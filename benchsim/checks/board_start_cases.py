"""Cases of the board plan on the payment bus: start-up of every device, at every level."""

from functools import partial

from benchsim.checks.board_stage import (
    PAYERS,
    BoardStage,
)
from benchsim.checks.stage import Cases

CASES = Cases("bus")
case = CASES.case
SETTLED = 4.5  # seconds until no money is on its way any more
PAID = 4.0  # seconds for a payout of some twenty coins

START_UPS: dict[str, tuple[str, str, dict]] = {
    "changer-2": ("changer", "A changer of level 2", {"level": 2}),
    "changer-3": ("changer", "A changer of level 3", {"level": 3}),
    "validator-1": ("validator", "A bill validator of level 1", {"level": 1}),
    "validator-2": ("validator", "A bill validator of level 2", {"level": 2}),
    "validator-no-escrow": ("validator", "A bill validator without escrow", {"escrow": False}),
    "reader-1": ("cashless1", "A card reader of level 1", {"level": 1}),
    "reader-2": ("cashless1", "A card reader of level 2", {"level": 2}),
    "reader-3": ("cashless1", "A card reader of level 3", {"level": 3}),
    "reader-3-wide": ("cashless1", "A card reader of level 3 with 32-bit money", {"level": 3, "wide": True}),
    "reader-3-everything": (
        "cashless1", "A card reader of level 3 that offers all there is",
        {"level": 3, "wide": True, "negative_vend": True, "data_entry": True, "always_idle": True, "display": True,
         "cash_sales": True, "card_most": 50_000},
    ),
    "reader-scaled": ("cashless1", "A card reader that counts in steps of five", {"scale": 5}),
    "reader-slow": ("cashless1", "A card reader whose response time is 20 s", {"response_s": 20}),
    "second-reader": ("cashless2", "A second card reader", {}),
}


async def start_up(s: BoardStage, seat: str) -> None:
    """The device is started and takes money; a customer uses it once, and takes back what he gave."""
    await s.enabled(seat)
    await s.sleep(0.5)
    if seat == "changer":
        s.coin()
        await s.sleep(1)
        s.device("changer").lever()
    elif seat == "validator":
        s.small_bill()
    else:
        s.device(seat).card(1000)
        await s.sleep(2)
        s.device(seat).pull()
    await s.sleep(5)


for _name, (_seat, _what, _own) in START_UPS.items():
    case(f"start-{_name}", f"{_what} is started, and used once", seats={_seat: _own})(partial(start_up, seat=_seat))


# Odd but legal ways to answer, that every device has a setting for.
ODD = {
    "late": "begin 4.3 to 4.8 ms after the command", "gaps": "have 0.9 ms between their words",
    "slow": "come 1.8 % too slow", "fast": "come 0.8 % too fast",
    "one by one": "tell one event at a time", "refuses": "are NAK to the first sending of all but RESET and POLL",
}  # fmt: skip


async def odd(s: BoardStage) -> None:
    """A coin, a bill and a card on such devices."""
    await s.enabled()
    s.coin()
    await s.sleep(0.1)
    s.small_bill()
    await s.sleep(SETTLED)
    s.device("changer").lever()
    await s.sleep(PAID)
    await s.enabled("cashless1")
    s.device("cashless1").card(1000)
    await s.sleep(1.5)
    s.device("cashless1").pull()
    await s.sleep(SETTLED)


for _name, _what in ODD.items():
    case(f"odd-{_name.replace(' ', '-')}", f"The answers of all devices {_what}: odd, but legal",
         seats={seat: {"answers": [_name]} for seat in PAYERS})(odd)  # fmt: skip


@case("more-devices", "A gateway, two satellites and a second reader stand on the bus too",
      seats={"gateway": {}, "satellite1": {}, "satellite2": {}, "cashless2": {}})  # fmt: skip
async def more_devices(s: BoardStage):
    await s.enabled(*PAYERS, "cashless2")
    await s.sleep(4)


@case("quiet-bus", "Nothing: five quiet seconds with all devices started")
async def quiet_bus(s: BoardStage):
    await s.enabled()
    await s.sleep(5)
