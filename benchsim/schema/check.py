"""Frame checks by their names in the published CRC catalogues, computed by the crccheck library."""

from functools import lru_cache
from typing import NamedTuple

from crccheck.crc import Crc16Arc, CrcX25

from benchsim.errors import UsageError
from benchsim.schema.word import only

# Name in the catalogue -> implementation. Check values over "123456789": X-25 906E, ARC BB3D.
_CHECKS = {"CRC-16/X-25": CrcX25, "CRC-16/ARC": Crc16Arc}


class Check(NamedTuple):
    """A check of `size` bytes behind the body."""

    name: str
    order: str
    size: int

    def of(self, data: bytes) -> int:
        """The check's value over `data`."""
        return _value(self.name, bytes(data))

    def bytes_of(self, data: bytes) -> bytes:
        """The check as it stands on the wire."""
        return self.of(data).to_bytes(self.size, self.order)


@lru_cache(8192)
def _value(name: str, data: bytes) -> int:
    return _CHECKS[name].calc(data)


def parse_check(table: dict, place: str) -> Check:
    """Read `[check]`."""
    only(table, place, {"name", "order"})
    if table["name"] not in _CHECKS:
        raise UsageError(f"{place}.name: expected one of {', '.join(sorted(_CHECKS))}, not {table['name']!r}")
    if table["order"] not in ("little", "big"):
        raise UsageError(f'{place}.order: expected "little" or "big", not {table["order"]!r}')
    return Check(table["name"], table["order"], 2)
