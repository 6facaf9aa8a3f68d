"""KIT-REFUND by hand-made talks: frames with crccheck's CrcX25, not by the code under test."""

import pytest
from crccheck.crc import CrcX25

from benchsim.events import Burst, Happening, LinkInfo
from benchsim.judge import Judge
from benchsim.schema import load_book

MS = 72_000
KIT = [LinkInfo("kit", "host", 6_250)]
CREDIT = bytes.fromhex("83 02 00 03 00000032 01 05 02 09 01 00000032 00000032".replace(" ", ""))


def said(at_ms: int, out: bool, body: bytes) -> Burst:
    wire = b"\x7e" + body + CrcX25.calc(body).to_bytes(2, "little") + b"\x7e"
    assert not {0x7E, 0x7D} & set(wire[1:-1])
    start = at_ms * MS
    return Burst(start, start + len(wire) * 6_250, "kit", out, "host" if out else "board", tuple(wire))


def verdict(*events, recorded: bool = True):
    judge = Judge(KIT, load_book(), rules=["KIT-REFUND"])
    if recorded:
        judge.happening(Happening(0, "bench", "case", {"name": "t"}))
    judge.burst(said(10, True, b"\x03\x02"))
    judge.burst(said(13, False, CREDIT))
    for event in events:
        (judge.burst if type(event) is Burst else judge.happening)(event)
    judge.close(5000 * MS)
    (found,) = judge.verdicts()
    return found.outcome


REFUND = said(200, True, b"\x07\x03")
TOUCH = Happening(150 * MS, "panel", "touch", {"down": 1, "x": 1, "y": 1})


@pytest.mark.parametrize(
    ("events", "recorded", "outcome"),
    [((), True, "pass"), ((REFUND,), True, "fail"), ((TOUCH, REFUND), True, "pass"), ((REFUND,), False, "unseen")],
)
def test_unspent_credit_waits_for_a_touch(events, recorded, outcome):
    assert verdict(*events, recorded=recorded) == outcome
