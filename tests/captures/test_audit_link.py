"""The audit link in every capture format: words, gaps, who said them; VCD levels drawn by hand."""

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.captures.vcd import data_bits, wires_of
from benchsim.events import Burst, LinkInfo

WORD = 75_000  # ten bits at 9600 baud, ticks
MS = 72_000
LINK = LinkInfo("audit", "auditor", WORD)
SAID = [
    Burst(10 * MS, 10 * MS + WORD, "audit", True, "auditor", (0x05,)),
    Burst(20 * MS, 20 * MS + 2 * WORD, "audit", False, "board", (0x10, 0x30)),
    Burst(40 * MS, 40 * MS + 3 * WORD + 5 * MS, "audit", True, "auditor", (0x10, 0x01, 0xFF), (0, 0, 5 * MS)),
]


def words(bursts):
    return [(out, word, start) for b in bursts for out, word, start in zip([b.out] * len(b.words), b.words, b.word_starts(), strict=True)]


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_there_and_back(tmp_path, suffix):
    path = tmp_path / f"audit{suffix}"
    with open_writer(path, [LINK]) as writer:
        for burst in SAID:
            writer.burst(burst)
    capture = open_capture(path)
    found = [event for event in capture.events() if type(event) is Burst]
    assert [w[:2] for w in words(found)] == [w[:2] for w in words(SAID)]
    assert all(abs(a[2] - b[2]) <= 72 for a, b in zip(words(found), words(SAID), strict=True))  # 1 us
    assert [b.sender for b in found if b.out] == ["auditor"] * sum(b.out for b in found)
    assert {b.sender for b in found if not b.out} == {"board"}
    assert capture.links["audit"].word == WORD and capture.links["audit"].out == "auditor"


def test_levels_by_hand(tmp_path):
    """ENQ is 05: start 0, then 1 0 1 0 0 0 0 0 (least significant first), stop 1; a bit takes 104.17 us."""
    path = tmp_path / "audit.vcd"
    with open_writer(path, [LINK]) as writer:
        writer.burst(SAID[0])
    text = path.read_text()
    assert "audit_out" in text and "audit_in" in text
    (wire,) = [line.split()[3] for line in text.splitlines() if line.startswith("$var") and " audit_out " in line]
    at, changes = 0, []
    for line in text.partition("$enddefinitions")[2].splitlines():
        if line.startswith("#"):
            at = int(line[1:])
        elif line == f"0{wire}" or line == f"1{wire}":
            changes.append((at, line[0]))
    bits = [0, 1, 2, 3, 4, 9]  # start falls, bit 0 rises, bit 1 falls, bit 2 rises, bit 3 falls, stop rises
    edges = [(10_000 + round(bit * 104.1667), "01"[i % 2]) for i, bit in enumerate(bits)]
    assert [change for change in changes if change[0] > 0] == edges
    assert wires_of("audit") == ["audit_out", "audit_in"] and data_bits("audit") == 8
