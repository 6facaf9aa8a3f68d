"""The bench file: what stands on the bench. Every key has a default, so an empty file is the demo bench.

    seed = 7
    [machine]
    rows = 6
    columns = 8
    price = 125            # one price for all, minor units; or prices = [[…], …]
    planogram = ["XXXXXXXX", …]  # where a coil should be ("." none), row by row; default: all but `missing`
    audit_reset = "read"   # when the board's counters since reset begin anew: at a good read, or "never"
    [seats.changer]
    tubes = [0, 0, 2, 5]   # settings of a device: benchsim seats changer
    [[fault]]
    card = "coil-jammed"   # benchsim faults
    at = 20
    [feed]                 # run --mqtt
    name = "left"          # of this bench at the broker; default: the computer's name and the title
    commands = true        # others may stop it and switch faults; default: they may not
    [links.kit]
    protocol = "my.toml"   # another board-to-host link: a file of your own, or a name (reference, counted, fenced)
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.faults import Fault, faults_of_file, parse_fault
from benchsim.machine_settings import ColdSettings, fits, machine_table
from benchsim.schema import KIT, Book, KitSpec, Misfit, kit_link, load_book, read_toml

_MOST_COLUMNS = 16
COIL, NO_COIL = "X", "."  # in a planogram
NOT_FOR_SALE = 0xFFFF  # a price, kit link reference


@dataclass
class Settings:
    """A bench. Money in minor units."""

    title: str = "demo bench"
    seed: int = 1
    rows: int = 6
    columns: int = 8
    prices: list[int] = field(default_factory=list)
    empty: list[tuple[int, int]] = field(default_factory=list)
    missing: list[tuple[int, int]] = field(default_factory=list)
    planogram: list[str] = field(default_factory=list)  # what should be there; [] all but what is missing
    audit_reset: str = "read"
    cold: ColdSettings = field(default_factory=lambda: ColdSettings(**machine_table("cold", {}, "")))
    cold_named: bool = False  # the file has a table for it
    supply: dict = field(default_factory=lambda: machine_table("supply", {}, ""))
    wiring: dict = field(default_factory=lambda: machine_table("wiring", {}, ""))
    seats: dict[str, dict] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    feed_name: str = ""
    feed_commands: bool = False
    kit: str | Path = KIT  # the board-to-host link
    text: str = ""
    place: str = ""  # the file, for errors

    def __post_init__(self):
        self.prices = self.prices or [125 + 25 * ((r + c) % 5) for r in range(self.rows) for c in range(self.columns)]
        if self.planogram:  # what has no coil is not for sale
            self.prices = [
                NOT_FOR_SALE if divmod(i, self.columns) in self.unplanned else price for i, price in enumerate(self.prices)
            ]

    def book(self) -> Book:
        """The protocol files of this bench; UsageError where its machine cannot be told on its board-to-host link."""
        book = load_book(kit=self.kit)
        try:
            _fits(book.kit, self.rows, self.columns, tuple(self.prices))
        except Misfit as why:
            raise UsageError(f"{self.place or 'bench'}: machine: {why}, says {book.kit.place}") from None
        return book

    @property
    def said(self) -> dict[str, str]:
        """What a report says of the bench beside its file."""
        return {} if self.kit == KIT else {"board-to-host link": str(self.kit)}

    @property
    def unplanned(self) -> set[tuple[int, int]]:
        """Positions at which no coil is planned."""
        if not self.planogram:
            return set(self.missing)
        return {(r, c) for r, row in enumerate(self.planogram) for c, sign in enumerate(row) if sign == NO_COIL}

    def fitted(self, seat: str) -> bool:
        """Does the device stand on the bus? Some do unless the file says no, others if it names them."""
        return self.seats.get(seat, {}).get("fitted", seat in self.seats or seat in _FITTED)

    def with_seats(self, seats: dict[str, dict]) -> "Settings":
        """The same bench with other settings for some seats."""
        if not seats:
            return self
        return replace(self, seats=self.seats | {seat: self.seats.get(seat, {}) | own for seat, own in seats.items()})

    def with_faults(self, texts: Iterable[str]) -> "Settings":
        """The same bench with more faults, as --fault has them."""
        return replace(self, faults=[*self.faults, *(parse_fault(text, self) for text in texts)])


@lru_cache(64)
def _fits(link: KitSpec, rows: int, columns: int, prices: tuple[int, ...]) -> None:
    """Tried once for each machine: thousands of benches are made of one bench file."""
    link.fits(rows, columns, list(prices))


_TOP = {"title": str, "seed": int, "machine": dict, "seats": dict, "links": dict, "fault": list, "feed": dict}
_MACHINE = {"rows": int, "columns": int, "price": int, "prices": list, "empty": list, "missing": list, "planogram": list,
            "audit_reset": str, "cold": dict, "supply": dict, "wiring": dict}  # fmt: skip
_FEED = {"name": str, "commands": bool}
_FEED_NAME = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_FITTED = ("changer", "validator", "cashless1")
_SEATS = (*_FITTED, "gateway", "satellite1", "satellite2", "satellite3", "cashless2")


def load_settings(path: Path | None) -> Settings:
    """Read a bench file; None gives the demo bench. UsageError names file, key and what was expected."""
    if path is None:
        return Settings()
    table = read_toml(path)
    _keys(table, _TOP, str(path), "")
    machine = table.get("machine", {})
    _keys(machine, _MACHINE, str(path), "machine.")
    rows, columns = machine.get("rows", 6), machine.get("columns", 8)
    if not 1 <= rows <= 16 or not 1 <= columns <= _MOST_COLUMNS:
        raise UsageError(f"{path}: machine.rows, machine.columns: expected 1 to 16, not {rows} x {columns}")
    for seat, own in table.get("seats", {}).items():
        if seat not in _SEATS:
            raise UsageError(f"{path}: seats.{seat}: expected one of {', '.join(_SEATS)}")
        if not isinstance(own, dict) or not isinstance(own.get("fitted", True), bool):
            raise UsageError(f"{path}: seats.{seat}: expected a table of settings, with fitted = true or false")
    feed = table.get("feed", {})
    _keys(feed, _FEED, str(path), "feed.")
    if "name" in feed and not _FEED_NAME.fullmatch(feed["name"]):
        raise UsageError(f"{path}: feed.name: expected up to 64 letters, digits, _ . and -, not {feed['name']!r}")
    settings = Settings(
        title=table.get("title", path.stem),
        seed=table.get("seed", 1),
        rows=rows,
        columns=columns,
        prices=_prices(machine, rows, columns, path),
        empty=_places(machine, "empty", rows, columns, path),
        missing=_places(machine, "missing", rows, columns, path),
        planogram=_planogram(machine.get("planogram", []), rows, columns, path),
        audit_reset=_reset(machine, path),
        cold=ColdSettings(**machine_table("cold", machine.get("cold", {}), str(path))),
        cold_named="cold" in machine,
        supply=machine_table("supply", machine.get("supply", {}), str(path)),
        wiring=fits(machine_table("wiring", machine.get("wiring", {}), str(path)), rows, columns, str(path)),
        seats=table.get("seats", {}),
        feed_name=feed.get("name", ""),
        feed_commands=feed.get("commands", False),
        kit=_kit(table.get("links", {}), path),
        text=path.read_text("utf-8"),
        place=str(path),
    )
    settings.faults = faults_of_file(table.get("fault", []), settings, str(path))
    return settings


_SAID = {str: "a text", bool: "true or false", int: "a whole number", dict: "a table", list: "a list"}


def _keys(table: dict, known: dict[str, type], path: str, prefix: str) -> None:
    for key, value in table.items():
        if key not in known:
            raise UsageError(f"{path}: unknown key {prefix}{key}, expected one of {', '.join(known)}")
        if not isinstance(value, known[key]) or isinstance(value, bool) != (known[key] is bool):
            raise UsageError(f"{path}: {prefix}{key}: expected {_SAID[known[key]]}, not {value!r}")


def _kit(links: dict, path: Path) -> str | Path:
    _keys(links, {"kit": dict}, str(path), "links.")
    kit = links.get("kit", {})
    _keys(kit, {"protocol": str}, str(path), "links.kit.")
    return kit_link(kit.get("protocol", KIT), f"{path}: links.kit.protocol", path.parent)


def _prices(machine: dict, rows: int, columns: int, path: Path) -> list[int]:
    if "price" in machine and "prices" in machine:
        raise UsageError(f"{path}: machine: expected price or prices, not both")
    if "price" in machine:
        flat = [machine["price"]] * (rows * columns)
    else:
        given = machine.get("prices", [])
        flat = [p for row in given for p in (row if isinstance(row, list) else [row])]
        if given and len(flat) != rows * columns:
            raise UsageError(f"{path}: machine.prices: expected {rows} rows of {columns} prices, got {len(flat)}")
    if not all(type(p) is int and 0 <= p <= 0xFFFF for p in flat):  # true and false are no prices
        raise UsageError(f"{path}: machine.prices: expected minor units from 0 to 65535")
    return flat


def _planogram(given: list, rows: int, columns: int, path: Path) -> list[str]:
    signs = {COIL, NO_COIL}
    fits = len(given) == rows and all(isinstance(row, str) and len(row) == columns and set(row) <= signs for row in given)
    if given and not fits:
        raise UsageError(f'{path}: machine.planogram: expected {rows} texts of {columns} signs, {COIL} a coil, {NO_COIL} none, not {given!r}')
    return given


def _reset(machine: dict, path: Path) -> str:
    when = machine.get("audit_reset", "read")
    if when not in ("read", "never"):
        raise UsageError(f'{path}: machine.audit_reset: expected "read" or "never", not {when!r}')
    return when


def _places(machine: dict, key: str, rows: int, columns: int, path: Path) -> list[tuple[int, int]]:
    places = machine.get(key, [])
    for place in places:
        if not (isinstance(place, list) and [type(n) for n in place] == [int, int] and 0 <= place[0] < rows and 0 <= place[1] < columns):
            raise UsageError(f"{path}: machine.{key}: expected [row, column] inside the machine, not {place!r}")
    return [tuple(place) for place in places]
