"""Frames that say their length, of the two links that have them, and of others made up here.

Frames worked by hand. Counted link: COUNT SEQ CODE … XOR, COUNT holds the body and the XOR; XOR over all before it:

    HELLO, seq 0           03 00 48 4B                03^00^48 = 4B
    SELL place 23 for 125  05 03 53 19 17 5B          price 125 / 5 = 19h; 05^03^53 = 55, ^19 = 4C, ^17 = 5B

Fenced link: 02, LENGTH low byte first, body, SUM of LENGTH and body modulo 256, 03:

    AGAIN, seq 0           02 03 00 01 A0 00 A4 03    03+00+01+A0+00 = A4
    its answer             02 06 00 80 A0 00 10 01 02 39 03    06+80+A0+10+01+02 = 139h
"""

import pytest
from crccheck.checksum import Checksum8, ChecksumXor8
from hypothesis import given
from hypothesis import strategies as st

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.links.kit_frames import CountedReader, reader_of, wrap
from benchsim.schema import load_book
from benchsim.schema.check import parse_check

COUNTED, FENCED = load_book(kit="counted").kit, load_book(kit="fenced").kit
SPECS = {"counted": COUNTED, "fenced": FENCED}
HELLO = bytes.fromhex("03 00 48 4B")
SELL = bytes.fromhex("05 03 53 19 17 5B")
AGAIN = bytes.fromhex("02 03 00 01 A0 00 A4 03")
AGAIN_ANSWER = bytes.fromhex("02 06 00 80 A0 00 10 01 02 39 03")
WORKED = [
    (COUNTED, HELLO, "00 48"), (COUNTED, SELL, "03 53 19 17"), (FENCED, AGAIN, "01 A0 00"),
    (FENCED, AGAIN_ANSWER, "80 A0 00 10 01 02"),
]  # fmt: skip


def on_wire(spec, body: bytes) -> bytes:
    """The same by another library, with the parts of the frame written out."""
    if spec is COUNTED:
        inside = bytes((len(body) + 1,)) + body
        return inside + bytes((ChecksumXor8.calc(inside),))
    inside = len(body).to_bytes(2, "little") + body
    return b"\x02" + inside + bytes((Checksum8.calc(inside),)) + b"\x03"


def burst(spec, words, start=0, gaps=()) -> Burst:
    end = start + len(words) * spec.word.ticks + sum(gaps)
    return Burst(start, end, "kit", True, "host", tuple(words), tuple(gaps))


def singly(spec, words, start=0, pause=0) -> list[Burst]:
    step = spec.word.ticks + pause
    return [burst(spec, (word,), start + i * step) for i, word in enumerate(words)]


def read(spec, *bursts, **how):
    reader = reader_of(spec, **how)
    assert type(reader) is CountedReader
    return [frame for one in bursts for frame in reader.feed(one)]


def good(frames) -> list[bytes]:
    return [frame.body for frame in frames if not frame.broken]


@pytest.mark.parametrize(("spec", "wire", "body"), WORKED, ids=lambda v: str(v)[:12])
def test_worked_frames(spec, wire, body):
    body = bytes.fromhex(body)
    assert wrap(spec, body) == wire == on_wire(spec, body)
    for bursts in ([burst(spec, wire, 700)], singly(spec, wire, 700)):
        (frame,) = read(spec, *bursts)
        assert (frame.body, frame.broken, frame.raw, frame.worst_gap) == (body, (), wire, 0)
        assert (frame.start, frame.end) == (700, 700 + len(wire) * spec.word.ticks)
        assert (frame.out, frame.sender) == (True, "host")


bodies = {name: st.binary(min_size=spec.least, max_size=spec.most) for name, spec in SPECS.items()}
framed = st.sampled_from(sorted(SPECS)).flatmap(lambda name: st.tuples(st.just(name), bodies[name]))


@given(framed)
def test_any_body_comes_through_whole_and_in_any_cut(one):
    spec, body = SPECS[one[0]], one[1]
    wire = wrap(spec, body)
    assert wire == on_wire(spec, body)
    assert read(spec, burst(spec, wire)) == read(spec, *singly(spec, wire))
    assert good(read(spec, burst(spec, wire))) == [body]


@given(framed, st.data())
def test_one_wrong_bit_is_never_a_good_frame_and_the_next_one_is_taken(one, data):
    spec, body = SPECS[one[0]], one[1]
    wire = bytearray(wrap(spec, body))
    at = data.draw(st.integers(spec.framing.head, len(wire) - 1))  # in the length a weak check may miss one
    wire[at] ^= 1 << data.draw(st.integers(0, 7))
    reader = reader_of(spec)
    spoilt = reader.feed(burst(spec, wire))
    later = (len(wire) + 1) * spec.word.ticks + spec.limits["gap"].high
    assert good(spoilt + reader.expire(later)) == []
    assert good(reader.feed(burst(spec, wrap(spec, body), later))) == [body]


@given(framed, st.integers(1, 250))
def test_a_frame_cut_off_is_dropped_by_silence(one, cut):
    spec, body = SPECS[one[0]], one[1]
    wire = wrap(spec, body)
    part = wire[: min(cut, len(wire) - 1)]
    reader = reader_of(spec)
    assert reader.feed(burst(spec, part)) == []
    assert reader.begun == 0
    deadline = len(part) * spec.word.ticks + spec.limits["gap"].high
    assert reader.deadline == deadline
    assert reader.expire(deadline) == []
    (frame,) = reader.expire(deadline + 1)
    assert (frame.broken, frame.raw) == (("gap",), part)
    assert good(reader.feed(burst(spec, wire, deadline + 1))) == [body]


@pytest.mark.parametrize("spec", SPECS.values(), ids=list(SPECS))
def test_the_longest_legal_gap_and_one_tick_more(spec):
    wire, longest = wrap(spec, bytes(range(1, 9))), spec.limits["gap"].high
    for at in range(1, len(wire)):
        (frame,) = read(spec, burst(spec, wire, gaps=[longest if i == at else 0 for i in range(len(wire))]))
        assert (frame.broken, frame.worst_gap) == ((), longest)
        frames = read(spec, burst(spec, wire, gaps=[longest + 1 if i == at else 0 for i in range(len(wire))]))
        assert frames[0].broken == ("gap",)
        assert good(frames) == []


def test_lengths_that_cannot_be():
    # a count of 0 leaves no room for the XOR that it holds; 255 is longer than any body
    for wire in (b"\x00" + bytes(5), b"\xff" + bytes(5)):
        assert [f.broken for f in read(COUNTED, burst(COUNTED, wire))] == [("length",)]
    # a body too short, rightly framed
    assert [f.broken for f in read(COUNTED, burst(COUNTED, on_wire(COUNTED, b"\x01")))] == [("length",)]
    assert [f.broken for f in read(FENCED, burst(FENCED, on_wire(FENCED, b"\x01")))] == [("length",)]


def test_the_end_byte_must_be_there():
    (frame,) = read(FENCED, burst(FENCED, AGAIN[:-1] + b"\x04"))
    assert frame.broken == ("end",)


def test_the_start_byte_is_looked_for_at_once_after_a_bad_frame():
    wire = AGAIN[:-2] + b"\x00\x03" + AGAIN  # a wrong sum, then a good frame without a pause
    assert [(f.broken, f.body) for f in read(FENCED, burst(FENCED, wire))][-1] == ((), b"\x01\xa0\x00")
    assert good(read(FENCED, burst(FENCED, b"\x55\x03\xff" + AGAIN))) == [b"\x01\xa0\x00"]


def test_without_start_bytes_a_silence_begins_anew():
    bad = HELLO[:-1] + b"\x00"
    assert good(read(COUNTED, burst(COUNTED, bad + HELLO))) == []
    pause = COUNTED.limits["gap"].high
    step = len(bad) * COUNTED.word.ticks
    assert good(read(COUNTED, burst(COUNTED, bad), burst(COUNTED, HELLO, step + pause))) == []
    assert good(read(COUNTED, burst(COUNTED, bad), burst(COUNTED, HELLO, step + pause + 1))) == [b"\x00\x48"]


@pytest.mark.parametrize("spec", SPECS.values(), ids=list(SPECS))
def test_a_wrong_length_is_dropped(spec):
    wire = wrap(spec, bytes(range(0x40, 0x50)))
    at = spec.framing.head - spec.framing.size
    for bit in range(8):
        wrong = bytes(byte ^ (1 << bit if i == at else 0) for i, byte in enumerate(wire))
        reader = reader_of(spec)
        later = len(wire) * spec.word.ticks + spec.limits["gap"].high + 1
        assert good(reader.feed(burst(spec, wrong)) + reader.expire(later)) == []
        assert good(reader.feed(burst(spec, wire, later))) == [bytes(range(0x40, 0x50))]


@pytest.mark.parametrize("spec", SPECS.values(), ids=list(SPECS))
def test_a_word_without_its_stop_bit_spoils_its_frame_and_a_break_ends_it(spec):
    wire = wrap(spec, bytes(8))
    spoilt = [word | (FRAMING if i == 5 else 0) for i, word in enumerate(wire)]
    assert [f.broken for f in read(spec, burst(spec, spoilt))] == [("framing",)]
    cut = [word if i != 5 else BREAK for i, word in enumerate(wire)][:6]
    assert [f.broken for f in read(spec, burst(spec, cut))] == [("framing",)]


@pytest.mark.parametrize("spec", SPECS.values(), ids=list(SPECS))
def test_where_bytes_come_in_lumps_three_gaps_of_silence_end_a_frame(spec):
    wire = wrap(spec, bytes(8))
    longest = spec.limits["gap"].high
    assert good(read(spec, *singly(spec, wire, pause=3 * longest), strict_gaps=False)) == [bytes(8)]
    assert good(read(spec, *singly(spec, wire, pause=3 * longest + 1), strict_gaps=False)) == []


# Over "123456789": catalogue of CRC algorithms; the sums by hand: 31+32+…+39 = 1DD, XOR 31.
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("CRC-8/SMBUS", 0xF4), ("CRC-16/ARC", 0xBB3D), ("CRC-16/IBM-3740", 0x29B1), ("CRC-16/KERMIT", 0x2189),
        ("CRC-16/MODBUS", 0x4B37), ("CRC-16/X-25", 0x906E), ("CRC-16/XMODEM", 0x31C3), ("CRC-32/ISO-HDLC", 0xCBF43926),
        ("SUM-8", 0xDD), ("SUM-16", 0x1DD), ("XOR-8", 0x31),
    ],
)  # fmt: skip
def test_check_values(name, value):
    check = parse_check({"name": name, "order": "little"}, "x")
    assert check.of(b"123456789") == value
    assert check.bytes_of(b"123456789") == value.to_bytes(check.size, "little")


def test_sums_inverted_and_negated():
    # DD inverted is 22; DD and its negative 23 add up to 100
    assert parse_check({"name": "SUM-8", "final": "inverted"}, "x").of(b"123456789") == 0x22
    assert parse_check({"name": "SUM-8", "final": "negated"}, "x").of(b"123456789") == 0x23
