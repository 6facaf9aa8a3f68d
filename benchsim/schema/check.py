"""Frame checks by their names in the published CRC catalogues, computed by the crccheck library.

Sums and XOR have no catalogue; "SUM-8" adds bytes modulo 256, "SUM-16" modulo 65536, "XOR-8" is what is left of
all bytes XORed.
"""

from functools import lru_cache
from typing import NamedTuple

from crccheck.checksum import Checksum8, ChecksumXor8
from crccheck.crc import Crc8Smbus, Crc16Arc, Crc16Ibm3740, Crc16Kermit, Crc16Modbus, Crc16Xmodem, Crc32, CrcX25

from benchsim.errors import UsageError
from benchsim.schema.word import only


class _Sum16:
    """Bytes added modulo 65536 (the library's sum of that width adds words)."""

    @staticmethod
    def calc(data: bytes) -> int:
        return sum(data) & 0xFFFF


# Name in the catalogue -> implementation, bytes. Check values over "123456789": X-25 906E, ARC BB3D, XMODEM 31C3,
# IBM-3740 29B1, KERMIT 2189, MODBUS 4B37, SMBUS F4, ISO-HDLC CBF43926.
_CHECKS = {
    "CRC-8/SMBUS": (Crc8Smbus, 1), "CRC-16/ARC": (Crc16Arc, 2), "CRC-16/IBM-3740": (Crc16Ibm3740, 2),
    "CRC-16/KERMIT": (Crc16Kermit, 2), "CRC-16/MODBUS": (Crc16Modbus, 2), "CRC-16/X-25": (CrcX25, 2),
    "CRC-16/XMODEM": (Crc16Xmodem, 2), "CRC-32/ISO-HDLC": (Crc32, 4), "SUM-8": (Checksum8, 1), "SUM-16": (_Sum16, 2),
    "XOR-8": (ChecksumXor8, 1),
}  # fmt: skip
_FINALS = {"": lambda value: value, "inverted": lambda value: ~value, "negated": lambda value: -value}
COVERED = ("start", "length", "body")


class Check(NamedTuple):
    """A check of `size` bytes behind the body, over the parts of a frame that `covers` names."""

    name: str
    order: str
    size: int
    covers: tuple[str, ...] = ("body",)
    final: str = ""

    def of(self, data: bytes) -> int:
        """The check's value over `data`."""
        return _value(self.name, self.final, bytes(data))

    def bytes_of(self, data: bytes) -> bytes:
        """The check as it stands on the wire."""
        return self.of(data).to_bytes(self.size, self.order)


@lru_cache(8192)
def _value(name: str, final: str, data: bytes) -> int:
    make, size = _CHECKS[name]
    return _FINALS[final](make.calc(data)) & (256**size - 1)


def parse_check(table: dict, place: str) -> Check:
    """Read `[check]`."""
    only(table, place, {"name"}, {"order", "covers", "final"})
    if not isinstance(table["name"], str) or table["name"] not in _CHECKS:
        raise UsageError(f"{place}.name: expected one of {', '.join(sorted(_CHECKS))}, not {table['name']!r}")
    size = _CHECKS[table["name"]][1]
    only(table, place, {"name"} | ({"order"} if size > 1 else set()), {"order", "covers", "final"})
    order, covers, final = table.get("order", "big"), table.get("covers", ["body"]), table.get("final", "")
    if order not in ("little", "big"):
        raise UsageError(f'{place}.order: expected "little" or "big", not {order!r}')
    if not isinstance(covers, list) or "body" not in covers or not all(part in COVERED for part in covers):
        raise UsageError(f"{place}.covers: expected some of {', '.join(COVERED)}, the body among them, not {covers!r}")
    if final not in tuple(_FINALS):
        raise UsageError(f'{place}.final: expected "inverted" or "negated", not {final!r}')
    return Check(table["name"], order, size, tuple(part for part in COVERED if part in covers), final)
