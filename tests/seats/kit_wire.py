"""Frames of the kit link made and opened without the code under test: the crccheck library and RFC 1662."""

from crccheck.crc import CrcX25


def wire(body: bytes) -> bytes:
    """Flag, body and check escaped (RFC 1662 §4.2 and appendix C), flag."""
    whole = body + CrcX25.calc(body).to_bytes(2, "little")
    inner = b"".join(bytes((0x7D, b ^ 0x20)) if b in (0x7E, 0x7D) else bytes((b,)) for b in whole)
    return b"\x7e" + inner + b"\x7e"


def unwire(words) -> bytes:
    """The body of a whole good frame."""
    out, lifted = bytearray(), False
    for b in words[1:-1]:
        if b == 0x7D:
            lifted = True
        else:
            out.append(b ^ 0x20 if lifted else b)
            lifted = False
    assert CrcX25.calc(bytes(out[:-2])).to_bytes(2, "little") == out[-2:]
    return bytes(out[:-2])
