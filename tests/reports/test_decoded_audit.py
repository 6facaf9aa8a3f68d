"""The audit link in words: items as they come, then the text by segment. Blocks by hand, checks by the crc library."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "links"))  # tests are not a package: this finds audit_by_hand
from audit_by_hand import ACK0, ACK1, ENQ, EOT, MS, NAK, block, burst, texted

from benchsim.reports.decoded import decoded
from benchsim.schema import load_book

TEXT = texted("VA1*350*3*0*0", "PA1*101*125", "PA2*2*250*0*0")


def lines(*said):
    now, bursts = 0, []
    for out, wire in said:
        bursts.append(burst(wire, now + 10 * MS, out))
        now = bursts[-1].end
    return [(line.who, line.text) for line in decoded(bursts, load_book())]


def test_a_text_in_two_blocks_one_of_them_said_twice():
    first, last = block(TEXT[:50], last=False), block(TEXT[50:])
    bad = block(TEXT[50:], spoil=1)
    told = lines((False, ENQ), (True, ACK0), (False, first), (True, ACK1), (False, first), (True, ACK1), (False, bad),
                 (True, NAK), (False, last), (True, ACK0), (False, EOT))  # fmt: skip
    codes = [text for _, text in told if text in ("ENQ", "EOT", "NAK", "ACK0", "ACK1")]
    assert codes == ["ENQ", "ACK0", "ACK1", "ACK1", "NAK", "ACK0", "EOT"]
    assert sum("[broken: check]" in text for _, text in told) == 1
    segments = [text for who, text in told if text.startswith("  ") and who == "board"]
    names = [text.split()[0].split("*")[0] for text in segments]
    assert names == ["DXS", "ST", "VA1", "PA1", "PA2", "G85", "SE", "DXE", "VA1", "VA1"]
    assert "selection 101: price 125" in segments[3]
    assert segments[-2:] == ["  VA1 value 350, but all PA2 make 250", "  VA1 count 3, but all PA2 make 2"]


def test_a_handshake_has_no_segments():
    told = lines((True, ENQ), (False, ACK0), (True, block(b"BSR0000001RR01L01", head=True)), (False, ACK1), (True, EOT))
    assert [text for _, text in told] == ["ENQ", "ACK0", "handshake: read, id BSR0000001, R01L01", "ACK1", "EOT"]
