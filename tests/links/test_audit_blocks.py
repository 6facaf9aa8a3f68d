"""Audit link, bytes to blocks. CRC-16/ARC of "123456789" is BB3D (catalogue of CRC algorithms); all other checks
are made with the crc library, which benchsim does not use."""

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds audit_by_hand
from audit_by_hand import ACK0, ACK1, ARC, ENQ, EOT, MS, NAK, WAIT, WORD, block, burst

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.links.audit_blocks import DATA, HEAD, NOISE, ItemReader, code, cut_up, text, wrap
from benchsim.schema import Misfit, load_book

SPEC = load_book().audit
PRINTABLE = st.binary(max_size=60).map(lambda data: data.replace(b"\x10", b"."))


def items(*bursts, expire=True):
    reader = ItemReader(SPEC)
    found = [item for one in bursts for item in reader.feed(one)]
    return found + (reader.expire(bursts[-1].end + 10**9) if expire else [])


def said(wire, start=0):
    return items(burst(wire, start, True))


def test_the_check_is_the_published_one():
    assert ARC.checksum(b"123456789") == 0xBB3D
    assert SPEC.check.of(b"123456789") == 0xBB3D
    assert SPEC.check.bytes_of(b"123456789") == b"\x3d\xbb"  # low byte first


def test_a_block_by_hand():
    """ETX (03) is counted, DLE and STX are not: CRC-16/ARC of "1" and 03, bit by bit."""
    crc = 0
    for byte in b"1\x03":
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    assert wrap(SPEC, b"1", last=True) == b"\x10\x021\x10\x03" + bytes((crc & 0xFF, crc >> 8)) == block(b"1")


@pytest.mark.parametrize(
    ("wire", "name"), [(ENQ, "ENQ"), (EOT, "EOT"), (NAK, "NAK"), (ACK0, "ACK0"), (ACK1, "ACK1"), (WAIT, "WAIT")]
)
def test_every_code(wire, name):
    (item,) = said(wire, 1000)
    assert (item.name, item.broken, item.start, item.end) == (name, (), 1000, 1000 + len(wire) * WORD)
    assert code(SPEC, name) == wire and text(SPEC, item) == name


@given(PRINTABLE, st.booleans(), st.booleans())
def test_a_block_there_and_back(data, last, head):
    wire = wrap(SPEC, data, last, head)
    assert wire == block(data, last, head)
    (item,) = said(wire)
    assert (item.name, item.data, item.last, item.broken) == (HEAD if head else DATA, data, last, ())
    assert item.raw == wire


SAID = st.lists(
    st.one_of(
        st.sampled_from([ENQ, EOT, NAK, ACK0, ACK1, WAIT]),
        st.builds(block, PRINTABLE, st.booleans(), st.booleans(), st.integers(0, 0xFFFF)),
        st.binary(max_size=20),
    ),
    max_size=5,
)


def without_noise(found):
    return [item._replace(worst_gap=0) for item in found if item.name != NOISE]


@given(SAID, st.data())
def test_cut_anywhere_it_says_the_same(parts, data):
    """Blocks, broken blocks, codes and rubbish, as one burst or in any pieces."""
    wire = b"".join(parts)
    if not wire:
        return
    cuts = sorted(data.draw(st.sets(st.integers(1, len(wire)), max_size=8)) | {0, len(wire)})
    pieces = [burst(wire[a:b], a * WORD, True) for a, b in zip(cuts, cuts[1:], strict=False)]
    assert without_noise(items(*pieces)) == without_noise(said(wire))


@given(st.lists(st.tuples(st.binary(min_size=1, max_size=30), st.integers(0, 600 * MS)), max_size=8))
def test_no_bytes_break_the_reader_and_none_are_lost(pieces):
    at, bursts = 0, []
    for wire, gap in pieces:
        bursts.append(burst(wire, at + gap, True))
        at = bursts[-1].end
    if not bursts:
        return
    found = items(*bursts)
    assert b"".join(item.raw for item in found) == b"".join(wire for wire, _ in pieces)
    assert all(text(SPEC, item) for item in found)
    assert all(a.end <= b.start for a, b in zip(found, found[1:], strict=False))


def test_a_gap_inside_a_burst_is_one_between_bursts():
    wire = block(b"VA1*100")
    long, short = 501 * MS, 499 * MS  # twice the limit of 250 ms is given up
    for gap, broken in ((long, ("gap",)), (short, ())):
        gaps = (0, 0, 0, gap) + (0,) * (len(wire) - 4)
        (first, *_) = items(burst(wire, 0, True, gaps))
        assert (first.name, first.broken) == (DATA, broken)
        pieces = burst(wire[:3], 0, True), burst(wire[3:], 3 * WORD + gap, True)
        (first, *_) = items(*pieces)
        assert (first.name, first.broken, first.worst_gap) == (DATA, broken, gap)


@pytest.mark.parametrize(
    ("wire", "broken"),
    [
        (block(b"ST*001", spoil=1), ("check",)),
        (block(b"ST*001").replace(b"*", b"+"), ("check",)),
        (b"\x10\x02ST\x10A*\x10\x03" + ARC.checksum(b"ST\x10A*\x03").to_bytes(2, "little"), ("escape",)),
        (b"\x10\x02" + b"A" * 2000, ("length",)),
    ],
)
def test_broken_blocks(wire, broken):
    item = said(wire)[0]
    assert (item.name, item.broken) == (DATA, broken)


def test_a_block_that_begins_inside_another():
    first, second = said(b"\x10\x02ST*0" + block(b"VA1*5"))
    assert (first.name, first.broken, first.data) == (DATA, ("cut",), b"ST*0")
    assert (second.name, second.broken, second.data) == (DATA, (), b"VA1*5")
    assert first.end == second.start == 6 * WORD


def test_wrong_stop_bits_and_breaks():
    words = tuple(block(b"VA1"))
    spoilt = (*words[:3], words[3] | FRAMING, *words[4:])
    (item,) = items(Burst(0, len(words) * WORD, "audit", True, "auditor", spoilt))
    assert (item.name, item.broken) == (DATA, ("framing",))
    half = Burst(0, 3 * WORD, "audit", True, "auditor", words[:3])
    (item,) = items(half, Burst(10**6, 2 * 10**6, "audit", True, "auditor", (BREAK,)))
    assert (item.name, item.broken) == (DATA, ("framing",))


def test_a_dle_has_no_place_in_data():
    with pytest.raises(Misfit):
        wrap(SPEC, b"VA1\x10", last=True)


@given(st.binary(max_size=1000))
def test_a_text_in_pieces_of_245(data):
    pieces = cut_up(SPEC, data)
    assert b"".join(pieces) == data
    assert all(len(piece) == 245 for piece in pieces[:-1]) and len(pieces[-1]) <= 245
    assert all(pieces) or data == b""
