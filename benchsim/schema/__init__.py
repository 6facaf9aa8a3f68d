"""Protocol files to codecs and limits. See `fields` for the field language, `bits` for bit layouts."""

import tomllib
from functools import cache, cached_property, lru_cache
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.schema.audit import AuditSpec
from benchsim.schema.bus import BusSpec, DeviceSpec, load_bus, load_device
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.kit import Answer, Event, KitSpec, Request
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat

__all__ = [
    "Answer", "AuditSpec", "Book", "BusSpec", "DeviceSpec", "Event", "KitSpec", "Layout", "Limit", "Misfit", "Request",
    "KIT", "WordFormat", "kit_link", "load_book", "protocols_folder",
]  # fmt: skip


KIT = "reference"  # the board-to-host link where nobody says which


class Book:
    """All protocol files of one folder; of its kit links one, or another file in its place."""

    def __init__(self, folder: Path, kit: str | Path = KIT):
        self.links: dict[str, BusSpec | KitSpec | AuditSpec] = {}
        self.devices: dict[str, DeviceSpec] = {}
        self._seats: dict[int, str] = {}
        chosen = kit if isinstance(kit, Path) else folder / "kit" / f"{kit}.toml"
        for path in sorted(folder.glob("*/*.toml")):
            if path.parent.name not in ("faults", "kit"):
                self._add(path, f"{path.parent.name}/{path.name}")
        self._add(chosen, str(chosen) if isinstance(kit, Path) else f"kit/{kit}.toml")
        if "kit" not in self.links:
            raise UsageError(f'{chosen}: kind: expected "kit"')
        self._at = {address: self.devices[name] for name, d in self.devices.items() for address in d.seats.values()}

    def _add(self, path: Path, place: str) -> None:
        table = read_toml(path, place)
        match table.get("kind"):
            case "bus":
                spec = load_bus(table, place)
                self._take(spec.addresses, f"{place}: addresses")
            case "kit" | "panel":
                spec = KitSpec(table, place)
            case "audit":
                spec = AuditSpec(table, place)
            case "device":
                device = load_device(table, place)
                self.devices[device.name] = device
                self._take(device.seats, f"{place}: seats")
                return
            case other:
                raise UsageError(f'{place}: kind: expected "bus", "device", "kit", "panel" or "audit", not {other!r}')
        if spec.name in self.links:
            raise UsageError(f"{place}: a link {spec.name!r} is described twice")
        self.links[spec.name] = spec

    def _take(self, seats: dict[str, int], place: str) -> None:
        for seat, address in seats.items():
            if address in self._seats:
                raise UsageError(f"{place}: address {address:#04x} belongs to {self._seats[address]}")
            if seat in self._seats.values():
                raise UsageError(f"{place}: {seat!r} is a seat already")
            self._seats[address] = seat

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

    @property
    def audit(self) -> AuditSpec:
        """The audit port."""
        return self.links["audit"]

    def device_at(self, word: int) -> DeviceSpec | None:
        """The device that an address word speaks to (its low three bits are the command)."""
        return self._at.get(word & 0xF8)

    def seat_at(self, word: int) -> str | None:
        """The name of the seat at an address."""
        return self._seats.get(word & 0xF8)

    @cached_property
    def bus_seats(self) -> list[str]:
        """Every seat that has an address on the payment bus, by address."""
        return [seat for _, seat in sorted(self._seats.items())]

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


@cache
def protocols_folder() -> Path:
    """Where the protocol files lie: inside the installed package, or beside it in a checkout."""
    inside = Path(__file__).parents[1] / "protocols"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "protocols"


def kit_link(text: str, place: str, beside: Path | None = None) -> str | Path:
    """A board-to-host link as somebody writes it: the name of a file in `protocols/kit`, or the path of one of their
    own, which ends in .toml (relative to the folder `beside`). UsageError with `place`.
    """
    if text.endswith(".toml"):
        return (beside or Path()) / Path(text).expanduser()
    known = sorted(path.stem for path in (protocols_folder() / "kit").glob("*.toml"))
    if text not in known:
        raise UsageError(f"{place}: expected {', '.join(known)}, or the path of a file that ends in .toml, not {text!r}")
    return text


def load_book(folder: Path | None = None, kit: str | Path = KIT) -> Book:
    """All protocol files, compiled. `kit`: name or file of the board-to-host link. Errors name file and key."""
    return _load_book(folder or protocols_folder(), kit)


_load_book = lru_cache(Book)
