"""The audit link made by hand, for tests: blocks with a CRC library that benchsim does not use.

Control codes, block layout: EVA DTS 6.1, DEX/UCS link layer, from memory; codes ISO/IEC 646.
"""

from crc import Calculator, Configuration

from benchsim.events import Burst

WORD = 75_000  # ten bits at 9600 baud, ticks
MS = 72_000
ENQ, EOT, NAK, ACK0, ACK1, WAIT = b"\x05", b"\x04", b"\x15", b"\x10\x30", b"\x10\x31", b"\x10\x3b"
# CRC-16/ARC: x^16 + x^15 + x^2 + 1, start 0, reflected both ways
ARC = Calculator(
    Configuration(width=16, polynomial=0x8005, init_value=0, final_xor_value=0, reverse_input=True, reverse_output=True)
)


def block(data: bytes, last: bool = True, head: bool = False, spoil: int = 0) -> bytes:
    """DLE STX data DLE ETX check, low byte of the check first. `spoil` is added to the check."""
    closing = b"\x03" if last else b"\x17"
    check = ARC.checksum(data + closing) ^ spoil
    return b"\x10" + (b"\x01" if head else b"\x02") + data + b"\x10" + closing + check.to_bytes(2, "little")


def burst(wire: bytes, start: int, out: bool, gaps: tuple[int, ...] = ()) -> Burst:
    """Those bytes at that tick, from the reader (`out`) or the board."""
    sender = "auditor" if out else "board"
    return Burst(start, start + len(wire) * WORD + sum(gaps), "audit", out, sender, tuple(wire), gaps)


def texted(*segments: str, count: int | None = None, check: int | None = None) -> bytes:
    """A whole audit text around segments from ID1 on, counted and checked here. `count`, `check`: others in place."""
    lines = ["ST*001*0001", *segments]
    body = "".join(line + "\r\n" for line in lines).encode()
    check = ARC.checksum(body) if check is None else check
    count = len(lines) + 2 if count is None else count  # G85 and SE are counted too
    return b"DXS*TEST000001*VA*V0/6*1\r\n" + body + f"G85*{check:04X}\r\nSE*{count}*0001\r\nDXE*1*1\r\n".encode()
