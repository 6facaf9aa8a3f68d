"""How a master starts each kind of device after JUST RESET: the commands in order, and their values.

A step is left out where its values are None, or where the device's level and features do not define it.
Order of the standard's start-up examples (MDB/ICP 4.3 §5, §6, §7; of the gateway and the satellites from memory).
"""

from collections.abc import Callable
from typing import NamedTuple

OUR_IDENTITY = {"maker": "BSM", "serial": "000000000001", "model": "TRYING", "software": "0100"}
UNUSED = 0  # credit of a coin or bill type that there is not
WIDE_MONEY = 0b000010  # feature bits of a cashless device
KNOWN_FEATURES = {"changer": 0b0111, "validator": 0, "cashless": 0b111010, "gateway": 0, "satellite": 0}


class Step(NamedTuple):
    """One command of a start-up. `values(stage)`: its fields. `later`: the answer that may come in a later POLL."""

    name: str
    values: Callable = lambda s: {}
    later: str | None = None


def used_types(s) -> int:
    """Coin or bill types that the device's SETUP answer gives a credit."""
    return sum(1 << i for i, credit in enumerate(s.setup.get("credits", ())) if credit != UNUSED)


def _features(s) -> dict:
    return {"features": s.identity.get("features", 0) & KNOWN_FEATURES[s.spec.name] & s.features}


def _prices(s) -> dict:
    most = 0xFFFFFFFF if s.mode.wide else 0xFFFF
    currency = {"currency": s.setup["currency"]} if s.mode.wide else {}
    return {"highest": most, "lowest": 0, **currency}


def _bill_types(s) -> dict:
    return {"enable": used_types(s), "escrow": used_types(s) if s.setup["escrow"] else 0}


def _our_setup(s) -> dict:
    columns, rows = s.our_display
    return {"level": s.our_level, "columns": columns, "rows": rows, "display": 0}


_IDENTIFICATION = Step("IDENTIFICATION", lambda s: OUR_IDENTITY, "IDENTIFICATION")
_SETUP = Step("SETUP", lambda s: {"level": s.our_level, "scaling": 1, "decimals": 2}, "CONFIG")

STEPS: dict[str, tuple[Step, ...]] = {
    "changer": (
        Step("SETUP"), Step("TUBE STATUS"), Step("IDENTIFICATION"), Step("FEATURES", _features),
        Step("COIN TYPE", lambda s: {"accept": used_types(s), "manual": s.setup["tubes"]}),
    ),
    "validator": (
        Step("SETUP"), Step("IDENTIFICATION"), Step("IDENTIFICATION 2"), Step("FEATURES", _features),
        Step("STACKER"), Step("SECURITY", lambda s: {"types": s.setup["security"]}), Step("BILL TYPE", _bill_types),
    ),
    "cashless": (
        Step("SETUP CONFIG", _our_setup, "CONFIG"), Step("SETUP PRICES", _prices), _IDENTIFICATION,
        Step("FEATURES", _features), Step("SETUP PRICES", lambda s: _prices(s) if s.mode.wide else None),
        Step("READER ENABLE"),
    ),
    "gateway": (_SETUP, _IDENTIFICATION, Step("FEATURES", _features), Step("CONTROL ENABLE")),
    "satellite": (
        _SETUP, _IDENTIFICATION, Step("FEATURES", _features), Step("FUNDS", lambda s: {"funds": 0}),
        Step("CONTROL ENABLE"),
    ),
}  # fmt: skip
