"""Frames of the kit link from words with times: stuffing, check, gaps, aborts, and any cut of the stream.

Wire bytes are made here with the crccheck library and a stuffing written out below, never by the code
under test. Sources: RFC 1662 §3.1 (flags), §4.2 (octet stuffing, abort), appendix C (16-bit FCS); the
limits of frames and gaps are those of the kit link reference.
"""

from itertools import pairwise

import pytest
from crccheck.crc import CrcX25
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import BREAK, FRAMING, Burst
from benchsim.links.kit_frames import FlagReader, stuff, unstuff, wrap
from benchsim.schema import load_book

SPEC = load_book().kit
WORD = 6250  # ten bits at 115,200 baud in ticks of 72 MHz: 10 * 625
MS = 72_000
GAP = 10 * MS  # kit link reference: the longest legal gap
FLAG, ESC = 0x7E, 0x7D


def fcs(body: bytes) -> bytes:
    return CrcX25.calc(body).to_bytes(2, "little")  # RFC 1662 appendix C: low byte first


def inside(body: bytes) -> bytes:
    """Body and check, escaped as RFC 1662 §4.2 says, without the flags."""
    return b"".join(bytes((ESC, b ^ 0x20)) if b in (FLAG, ESC) else bytes((b,)) for b in body + fcs(body))


def on_wire(body: bytes) -> bytes:
    return bytes((FLAG,)) + inside(body) + bytes((FLAG,))


def burst(words, start=0, gaps=()) -> Burst:
    return Burst(start, start + len(words) * WORD + sum(gaps), "kit", True, "host", tuple(words), tuple(gaps))


def read(*bursts: Burst):
    reader = FlagReader(SPEC)
    return [frame for one in bursts for frame in reader.feed(one)]


def singly(words, start=0):
    return [burst((w,), start + i * WORD) for i, w in enumerate(words)]


def good(frames):
    return [f.body for f in frames if not f.broken]


# Bodies that hold what is awkward: flag, escape, zeros, all ones; one whose check must be escaped.
BODIES = [
    b"\x01\x00", b"\x03\x7e", b"\x03\x7d", b"\x7e\x7e", b"\x7d\x5e\x7d\x5d", b"\x83\x05\x00" + bytes(9),
    b"\xff" * 126, bytes(range(1, 127)), b"\x7e" * 126,
    next(bytes((3, seq)) for seq in range(256) if {FLAG, ESC} & set(fcs(bytes((3, seq))))),
]  # fmt: skip


def test_check_value_of_the_catalogue():
    # CRC catalogue, CRC-16/X-25 (the FCS of RFC 1662 appendix C): 906E over "123456789"
    assert SPEC.check.of(b"123456789") == 0x906E
    assert SPEC.check.bytes_of(b"123456789") == b"\x6e\x90"


def test_worked_frame():
    # kit link reference, worked frame: RESET with seq 0
    wire = bytes.fromhex("7E 01 00 9F 16 7E")
    assert wrap(SPEC, b"\x01\x00") == wire
    (frame,) = read(burst(wire))
    assert (frame.body, frame.broken, frame.raw) == (b"\x01\x00", (), wire)
    assert (frame.start, frame.end, frame.worst_gap) == (0, 6 * WORD, 0)


@pytest.mark.parametrize("body", BODIES, ids=lambda b: b[:6].hex())
def test_every_vector_whole_and_byte_by_byte(body):
    wire = on_wire(body)
    assert wrap(SPEC, body) == wire
    (whole,) = read(burst(wire, 500))
    (pieces,) = read(*singly(wire, 500))
    assert whole == pieces
    assert (whole.body, whole.broken, whole.start, whole.end) == (body, (), 500, 500 + len(wire) * WORD)
    assert (whole.out, whole.sender) == (True, "host")


@pytest.mark.parametrize("body", BODIES, ids=lambda b: b[:6].hex())
def test_bytes_around_a_frame_are_no_part_of_it(body):
    frames = read(burst(b"\x00\x55" + on_wire(body) + b"\x01\x02"))
    assert [(f.body, f.broken) for f in frames] == [(body, ())]
    assert frames[0].start == 2 * WORD


@pytest.mark.parametrize("body", BODIES, ids=lambda b: b[:6].hex())
def test_the_longest_legal_gap_and_one_tick_more(body):
    wire = on_wire(body)
    for at in (2, len(wire) // 2, len(wire) - 1):
        gaps = [0] * len(wire)
        gaps[at] = GAP
        (frame,) = read(burst(wire, gaps=gaps))
        assert (frame.body, frame.broken, frame.worst_gap) == (body, (), GAP)
        gaps[at] = GAP + 1
        reader = FlagReader(SPEC)
        frames = reader.feed(burst(wire, gaps=gaps))
        assert frames[0].broken == ("gap",)
        assert frames[0].worst_gap == GAP + 1
        assert good(frames) == []
        # what is left of it is hunted through; the next frame is taken (its flag may be the old one's last)
        assert good(reader.feed(burst(wire, 10**9))) == [body]


def test_a_gap_before_the_first_byte_after_the_flag_does_not_count():
    wire = on_wire(b"\x03\x09")
    (frame,) = read(burst(wire, gaps=[0, 50 * MS] + [0] * (len(wire) - 2)))
    assert (frame.body, frame.broken) == (b"\x03\x09", ())


def test_silence_drops_a_half_frame_only_after_the_limit():
    reader = FlagReader(SPEC)
    reader.feed(burst(b"\x7e\x01\x00"))
    end = 3 * WORD
    assert reader.begun == WORD
    assert reader.deadline == end + GAP
    assert reader.expire(end + GAP) == []
    (frame,) = reader.expire(end + GAP + 1)
    assert (frame.broken, frame.raw) == (("gap",), b"\x01\x00")
    assert (reader.begun, reader.deadline) == (None, None)
    assert good(reader.feed(burst(inside(b"\x01\x00") + b"\x7e", end + GAP + 1))) == []


def test_gaps_of_a_source_in_lumps_are_not_held_against_it():
    wire = on_wire(b"\x03\x09")
    reader = FlagReader(SPEC, strict_gaps=False)
    assert good(reader.feed(burst(wire, gaps=[0, 0, 30 * MS] + [0] * (len(wire) - 3)))) == [b"\x03\x09"]


def test_one_flag_ends_a_frame_and_begins_the_next():
    words = b"\x7e" + inside(b"\x03\x01") + b"\x7e" + inside(b"\x03\x02") + b"\x7e"
    frames = read(burst(words))
    assert [(f.body, f.broken) for f in frames] == [(b"\x03\x01", ()), (b"\x03\x02", ())]
    assert frames[1].start == (1 + 4 + 1) * WORD  # the first byte after the shared flag


@pytest.mark.parametrize("flags", [2, 3, 10])
def test_empty_frames_are_nothing(flags):
    assert read(burst(b"\x7e" * flags)) == []
    assert good(read(burst(b"\x7e" * flags + inside(b"\x03\x01") + b"\x7e"))) == [b"\x03\x01"]


def test_escape_then_flag_aborts_and_the_flag_begins_the_next():
    frames = read(burst(b"\x7e" + inside(b"\x03\x01") + b"\x7d\x7e" + inside(b"\x03\x02") + b"\x7e"))
    assert [f.broken for f in frames] == [("abort",), ()]
    assert frames[1].body == b"\x03\x02"


def test_a_needless_escape_is_undone():
    # RFC 1662 §4.2: a receiver undoes any escape, whoever needed it
    whole = b"\x03\x01" + fcs(b"\x03\x01")
    for at in range(len(whole)):
        wire = whole[:at] + bytes((ESC, whole[at] ^ 0x20)) + whole[at + 1 :]
        if whole[at] ^ 0x20 in (FLAG, ESC):
            continue
        assert good(read(burst(b"\x7e" + wire + b"\x7e"))) == [b"\x03\x01"]


@pytest.mark.parametrize("at", range(1, 5))
def test_a_framing_error_spoils_the_frame(at):
    words = list(on_wire(b"\x01\x00"))
    words[at] |= FRAMING
    frames = read(burst(words))
    assert len(frames) == 1
    assert "framing" in frames[0].broken


def test_a_break_drops_the_frame_under_way():
    reader = FlagReader(SPEC)
    reader.feed(burst(b"\x7e\x01"))
    (frame,) = reader.feed(Burst(2 * WORD, 2 * WORD + 100 * MS, "kit", True, "host", (BREAK,)))
    assert "framing" in frame.broken
    assert good(reader.feed(burst(on_wire(b"\x01\x00"), 10**8))) == [b"\x01\x00"]


@pytest.mark.parametrize("bit", range(4 * 8))
def test_any_wrong_bit_of_body_or_check_is_found(bit):
    wire = bytearray(on_wire(b"\x01\x00"))
    wire[1 + bit // 8] ^= 1 << bit % 8
    assert good(read(burst(wire))) == []


@pytest.mark.parametrize("length", [0, 1, 127, 200])
def test_a_body_shorter_or_longer_than_legal_is_dropped(length):
    wire = b"\x7e" + inside(bytes(length)) + b"\x7e"
    frames = read(burst(wire))
    assert good(frames) == []
    assert frames[0].broken == ("length",)


def test_a_frame_without_end_is_dropped_and_hunted_through():
    frames = read(burst(b"\x7e" + b"\x01" * 1000 + on_wire(b"\x01\x00")))
    assert frames[0].broken == ("length",)
    assert good(frames) == [b"\x01\x00"]


AWKWARD = st.sampled_from([FLAG, ESC, 0x5E, 0x5D, 0x20, 0x00, 0xFF]) | st.integers(0, 255)
BYTES = st.lists(AWKWARD, max_size=60).map(bytes)


@settings(max_examples=60, deadline=None)
@given(BYTES)
def test_unstuff_undoes_stuff(data):
    assert FLAG not in stuff(SPEC, data)
    assert unstuff(SPEC, stuff(SPEC, data)) == data


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(AWKWARD, min_size=2, max_size=40).map(bytes), min_size=1, max_size=3))
def test_what_is_wrapped_is_read_again(bodies):
    words = b"".join(wrap(SPEC, body) for body in bodies)
    assert words == b"".join(on_wire(body) for body in bodies)
    assert good(read(*singly(words))) == bodies


PIECES = st.one_of(
    BYTES, st.lists(AWKWARD, min_size=2, max_size=20).map(lambda b: on_wire(bytes(b))),
    st.lists(st.integers(0, 255).map(lambda b: b | FRAMING), max_size=3),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(PIECES, max_size=5), st.data())
def test_any_words_in_any_cut_give_the_same_frames(pieces, data):
    words = [w for piece in pieces for w in piece]
    gaps = data.draw(st.lists(st.sampled_from([0, 0, 0, 0, MS, GAP, GAP + 1]), min_size=len(words), max_size=len(words)))
    starts, at = [], 0
    for gap in gaps:
        at += gap
        starts.append(at)
        at += WORD
    cuts = sorted({0, len(words), *data.draw(st.lists(st.integers(0, len(words)), max_size=8))})
    parts = [burst(words[a:b], starts[a], [0, *gaps[a + 1 : b]]) for a, b in pairwise(cuts)]
    alone = [burst((w,), s) for w, s in zip(words, starts, strict=True)]
    frames = read(*alone)
    assert read(*parts) == frames
    for frame in frames:  # whatever is called good carries the published check
        if not frame.broken:
            assert 2 <= len(frame.body) <= 126
            assert frame.worst_gap <= GAP
            inner = frame.raw[1:-1] if frame.raw[0] == FLAG else frame.raw
            assert unstuff(SPEC, inner) == frame.body + fcs(frame.body)
