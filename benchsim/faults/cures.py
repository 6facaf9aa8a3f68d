"""What a hand does without knowing the cause, and which cards it cures: `protocols/faults/cures.toml`.

    [plugs]                        # seated again
    "the cash box" = { cures = ["cash-box-out"], hurts = ["money"] }
    [parts]                        # changed
    "the supply" = { cures = ["brown-out", "supply-sags"] }

"CARD:SEAT" cures a card that befell this device, and no other.
"""

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.faults.cards import CURES, cautions, load_cards
from benchsim.schema import protocols_folder, read_toml

PLUGS, PARTS = "plugs", "parts"


class Cure(NamedTuple):
    """`cards`: (id, seat or "" for any)."""

    cards: tuple[tuple[str, str], ...]
    hurts: tuple[str, ...]  # keys of cautions.toml

    def of(self, chosen: dict[str, dict]) -> set[str]:
        """Which of these cards it cures: {id: parameters that are not the default}."""
        known = load_cards()
        return {
            card for card, seat in self.cards
            if card in chosen and (not seat or known[card].values(chosen[card])["seat"] == seat)
        }  # fmt: skip


@lru_cache
def load_cures(folder: Path | None = None) -> dict[str, dict[str, Cure]]:
    """Plugs and parts by name. UsageError names what is wrong in the file."""
    table = read_toml((folder or protocols_folder() / "faults") / CURES, f"faults/{CURES}")
    return {kind: {name: _cure(f"faults/{CURES}: {kind}.{name}", one) for name, one in table[kind].items()} for kind in (PLUGS, PARTS)}


def _cure(place: str, table: dict) -> Cure:
    known = load_cards()
    cards = tuple((card, seat) for card, _, seat in (text.partition(":") for text in table["cures"]))
    for card, seat in cards:
        if card not in known:
            raise UsageError(f"{place}: cures: no card {card!r}")
        if seat and seat not in known[card].parameters["seat"].among:
            raise UsageError(f"{place}: cures: {card} befalls no {seat!r}")
    for hurt in table.get("hurts", ()):
        if hurt not in cautions():
            raise UsageError(f"{place}: hurts: expected some of {', '.join(cautions())}, not {hurt!r}")
    return Cure(cards, tuple(table.get("hurts", ())))
