"""Protocol files to codecs and limits. See `fields` for the field language, `bits` for bit layouts."""

import tomllib
from functools import lru_cache
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.schema.bus import BusSpec, DeviceSpec, load_bus, load_device
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.kit import Answer, Event, KitSpec, Request
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat

__all__ = [
    "Answer", "Book", "BusSpec", "DeviceSpec", "Event", "KitSpec", "Layout", "Limit", "Misfit", "Request",
    "WordFormat", "load_book", "protocols_folder",
]  # fmt: skip


class Book:
    """All protocol files of one folder."""

    def __init__(self, folder: Path):
        self.links: dict[str, BusSpec | KitSpec] = {}
        self.devices: dict[str, DeviceSpec] = {}
        self._seats: dict[int, str] = {}
        for path in sorted(folder.glob("*/*.toml")):
            if path.parent.name != "faults":
                self._add(path, f"{path.parent.name}/{path.name}")
        self._at = {address: self.devices[name] for name, d in self.devices.items() for address in d.seats.values()}

    def _add(self, path: Path, place: str) -> None:
        table = read_toml(path, place)
        match table.get("kind"):
            case "bus":
                spec = load_bus(table, place)
            case "kit" | "panel":
                spec = KitSpec(table, place)
            case "device":
                device = load_device(table, place)
                self.devices[device.name] = device
                for seat, address in device.seats.items():
                    if address in self._seats:
                        raise UsageError(f"{place}: seats: address {address:#04x} belongs to {self._seats[address]}")
                    self._seats[address] = seat
                return
            case other:
                raise UsageError(f'{place}: kind: expected "bus", "device", "kit" or "panel", not {other!r}')
        if spec.name in self.links:
            raise UsageError(f"{place}: name: a link {spec.name!r} is described twice")
        self.links[spec.name] = spec

    @property
    def bus(self) -> BusSpec:
        """The payment bus."""
        return self.links["bus"]

    @property
    def kit(self) -> KitSpec:
        """The board-to-host link."""
        return self.links["kit"]

    @property
    def panel(self) -> KitSpec:
        """The touch panel's line."""
        return self.links["panel"]

    def device_at(self, word: int) -> DeviceSpec | None:
        """The device that an address word speaks to (its low three bits are the command)."""
        return self._at.get(word & 0xF8)

    def seat_at(self, word: int) -> str | None:
        """The name of the seat at an address."""
        return self._seats.get(word & 0xF8)

    def address_of(self, seat: str) -> int | None:
        """The bus address of a seat."""
        return next((a for a, s in self._seats.items() if s == seat), None)


def read_toml(path: Path, place: str | None = None) -> dict:
    """A TOML file as a dict; UsageError with file and place if it cannot be read."""
    place = place or str(path)
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise UsageError(f"{place}: cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{place}: expected TOML: {error}") from None


def protocols_folder() -> Path:
    """Where the protocol files lie: inside the installed package, or beside it in a checkout."""
    inside = Path(__file__).parents[1] / "protocols"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "protocols"


@lru_cache
def load_book(folder: Path | None = None) -> Book:
    """All protocol files, compiled. Errors name file and key."""
    return Book(folder or protocols_folder())
