"""The bench file: what stands on the bench. Every key has a default, so an empty file is the demo bench.

    seed = 7
    [machine]
    rows = 6
    columns = 8
    price = 125            # one price for all, minor units; or prices = [[…], …]
    [[card]]               # what customers carry is up to the cases
"""

from dataclasses import dataclass, field
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.schema import read_toml

_MOST_COLUMNS = 16


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
    seats: dict[str, dict] = field(default_factory=dict)
    text: str = ""

    def __post_init__(self):
        self.prices = self.prices or [125 + 25 * ((r + c) % 5) for r in range(self.rows) for c in range(self.columns)]


_TOP = {"title": str, "seed": int, "machine": dict, "seats": dict}
_MACHINE = {"rows": int, "columns": int, "price": int, "prices": list, "empty": list, "missing": list}
_SEATS = ("changer", "validator", "cashless1")


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
    for seat in table.get("seats", {}):
        if seat not in _SEATS:
            raise UsageError(f"{path}: seats.{seat}: expected one of {', '.join(_SEATS)}")
    return Settings(
        title=table.get("title", path.stem),
        seed=table.get("seed", 1),
        rows=rows,
        columns=columns,
        prices=_prices(machine, rows, columns, path),
        empty=_places(machine, "empty", rows, columns, path),
        missing=_places(machine, "missing", rows, columns, path),
        seats=table.get("seats", {}),
        text=path.read_text("utf-8"),
    )


def _keys(table: dict, known: dict[str, type], path: str, prefix: str) -> None:
    for key, value in table.items():
        if key not in known:
            raise UsageError(f"{path}: unknown key {prefix}{key}, expected one of {', '.join(known)}")
        if not isinstance(value, known[key]) or isinstance(value, bool):
            raise UsageError(f"{path}: {prefix}{key}: expected {known[key].__name__}, not {value!r}")


def _prices(machine: dict, rows: int, columns: int, path: Path) -> list[int]:
    if "price" in machine:
        flat = [machine["price"]] * (rows * columns)
    else:
        given = machine.get("prices", [])
        flat = [p for row in given for p in (row if isinstance(row, list) else [row])]
        if given and len(flat) != rows * columns:
            raise UsageError(f"{path}: machine.prices: expected {rows} rows of {columns} prices, got {len(flat)}")
    if not all(isinstance(p, int) and 0 <= p <= 0xFFFF for p in flat):
        raise UsageError(f"{path}: machine.prices: expected minor units from 0 to 65535")
    return flat


def _places(machine: dict, key: str, rows: int, columns: int, path: Path) -> list[tuple[int, int]]:
    places = machine.get(key, [])
    for place in places:
        if not (isinstance(place, list) and len(place) == 2 and 0 <= place[0] < rows and 0 <= place[1] < columns):
            raise UsageError(f"{path}: machine.{key}: expected [row, column] inside the machine, not {place!r}")
    return [tuple(place) for place in places]
