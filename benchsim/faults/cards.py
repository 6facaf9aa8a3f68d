"""Fault cards: what can be wrong with a machine, as data. `protocols/faults/*.toml`, a file for each group.

    [cards.coil-jammed]
    title = "One coil jammed"
    does = "coil jammed"                  # a mechanism, see `mechanism.py`
    given = {…}                           # its values that are always the same
    parameters.row = { of = "rows", default = 0, says = "its row" }
    cause, confirm, mend                  # in the trade's words
    minutes = 4                           # to confirm it, by somebody who knows the machine
    hands = true                          # hands must mend it
    hurts = ["coils"]                     # what can hurt: keys of cautions.toml
    tempting = ["the board"]              # parts that are changed wrongly
    quiet = "…"                           # why it may show nothing, if so

A parameter has a default and a range: `low` and `high`, or `among` some values, or `of` the machine's "rows" or
"columns".
"""

import random
from collections.abc import Iterable
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.faults import on_devices, on_host, on_lines, on_machine, on_supply_and_cold  # noqa: F401 they register their mechanisms
from benchsim.faults.mechanism import MECHANISMS, Mechanism
from benchsim.schema import protocols_folder, read_toml

CAUTIONS, CURES = "cautions.toml", "cures.toml"
_TEXTS = ("title", "does", "cause", "confirm", "mend")
_KEYS = {*_TEXTS, "given", "parameters", "minutes", "hands", "hurts", "tempting", "quiet"}
_RANGES = ({"low", "high"}, {"among"}, {"of"})


class Parameter(NamedTuple):
    """One value of a card that differs from case to case."""

    name: str
    default: object
    says: str
    low: float | None = None
    high: float | None = None
    among: tuple = ()
    of: str = ""  # "rows" or "columns"

    def draw(self, rng: random.Random, settings) -> object:
        """One value of its range, by chance, as it fits the machine."""
        if self.among:
            return rng.choice(self.among)
        if self.of:
            return rng.randrange(getattr(settings, self.of))
        if type(self.default) is int:
            return rng.randint(self.low, self.high)
        return round(rng.uniform(self.low, self.high), 4)

    def wrong(self, value: object, settings) -> str:
        """What was expected, if the value does not fit; else ""."""
        if self.among:
            return "" if value in self.among else f"one of {', '.join(map(str, self.among))}"
        low, high = (0, getattr(settings, self.of) - 1) if self.of else (self.low, self.high)
        whole = type(self.default) is int
        if type(value) in ((int,) if whole else (int, float)) and low <= value <= high:
            return ""
        return f"{'a whole number' if whole else 'a number'} from {low:g} to {high:g}"

    def parse(self, text: str) -> object:
        """A value as it was written; a text that makes none is handed back."""
        kinds = {type(one) for one in self.among or (self.default,)}
        try:
            return text if str in kinds else int(text) if kinds == {int} else float(text)
        except ValueError:
            return text

    @property
    def range(self) -> str:
        """For people."""
        if self.among:
            return ", ".join(map(str, self.among))
        return f"any of the {self.of}" if self.of else f"{self.low:g} to {self.high:g}"


class Card(NamedTuple):
    """One thing that can be wrong."""

    id: str
    group: str
    title: str
    mechanism: Mechanism
    given: dict
    parameters: dict[str, Parameter]
    cause: str
    confirm: str
    mend: str
    minutes: float
    hands: bool
    hurts: tuple[str, ...]
    tempting: tuple[str, ...]
    quiet: str

    def values(self, chosen: dict) -> dict:
        """All that the mechanism is given."""
        return self.given | {name: p.default for name, p in self.parameters.items()} | chosen

    def draw(self, rng: random.Random, settings) -> dict:
        """Parameters by chance."""
        return {name: p.draw(rng, settings) for name, p in self.parameters.items()}

    def checked(self, chosen: dict, settings, place: str) -> dict:
        """The chosen parameters. UsageError names the first that does not fit."""
        for name, value in chosen.items():
            if name not in self.parameters:
                known = ", ".join(self.parameters) or "none"
                raise UsageError(f"{place}: {self.id} has no {name!r}, expected one of its parameters: {known}")
            if expected := self.parameters[name].wrong(value, settings):
                raise UsageError(f"{place}: {name}: expected {expected}, not {value!r}")
        return chosen

    @property
    def where(self) -> str:
        """The parts where it acts, for people."""
        return ", ".join(self.mechanism.needed(self.values({})))


@lru_cache
def load_cards(folder: Path | None = None) -> dict[str, Card]:
    """Every card by its id, group by group. UsageError names file and key."""
    folder = folder or protocols_folder() / "faults"
    cards: dict[str, Card] = {}
    known = cautions(folder)
    for path in sorted(folder.glob("*.toml")):
        if path.name in (CAUTIONS, CURES):
            continue
        table = read_toml(path, f"faults/{path.name}")
        for name, one in table.get("cards", {}).items():
            place = f"faults/{path.name}: cards.{name}"
            if name in cards:
                raise UsageError(f"{place}: there is a card of that name already")
            cards[name] = _card(name, table.get("group", path.stem), one, place, known)
    return cards


@lru_cache
def cautions(folder: Path | None = None) -> dict[str, str]:
    """What can hurt, by key."""
    return read_toml((folder or protocols_folder() / "faults") / CAUTIONS)


def card(name: str, place: str) -> Card:
    """One card. UsageError if there is none of that name."""
    cards = load_cards()
    if name not in cards:
        near = get_close_matches(name, cards, 4, 0.5)
        such = f"such as {', '.join(near)} (list: benchsim faults)" if near else "of the list: benchsim faults"
        raise UsageError(f"{place}: no card {name!r}, expected one {such}")
    return cards[name]


def _card(name: str, group: str, table: dict, place: str, known: Iterable[str]) -> Card:
    for key in table:
        if key not in _KEYS:
            raise UsageError(f"{place}: unknown key {key}, expected one of {', '.join(sorted(_KEYS))}")
    for key in _TEXTS:
        if not isinstance(table.get(key), str):
            raise UsageError(f"{place}: {key}: expected a text")
    mechanism = MECHANISMS.get(table["does"])
    if mechanism is None:
        raise UsageError(f"{place}: does: expected one of {', '.join(sorted(MECHANISMS))}, not {table['does']!r}")
    parameters = {n: _parameter(n, p, f"{place}: parameters.{n}") for n, p in table.get("parameters", {}).items()}
    given = table.get("given", {})
    if sorted((*given, *parameters)) != sorted(mechanism.values):
        raise UsageError(f"{place}: expected values for {', '.join(mechanism.values) or 'nothing'} of {mechanism.name!r}")
    for hurt in table.get("hurts", ()):
        if hurt not in known:
            raise UsageError(f"{place}: hurts: expected some of {', '.join(known)}, not {hurt!r}")
    return Card(
        name, group, table["title"], mechanism, given, parameters, table["cause"], table["confirm"], table["mend"],
        table.get("minutes", 5), table.get("hands", True), tuple(table.get("hurts", ())),
        tuple(table.get("tempting", ())), table.get("quiet", ""),
    )  # fmt: skip


def _parameter(name: str, table: dict, place: str) -> Parameter:
    ranges = set(table) - {"default", "says"}
    if ranges not in _RANGES or not {"default", "says"} <= set(table):
        raise UsageError(f"{place}: expected default, says, and low and high, or among, or of")
    return Parameter(name, table["default"], table["says"], table.get("low"), table.get("high"),
                     tuple(table.get("among", ())), table.get("of", ""))  # fmt: skip
