"""Audit texts taken apart. Segments are counted by hand, checks made with the crc library.

Layout: EVA DTS 6.1, from memory; G85's range and start value are of confidence C.
"""

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds audit_by_hand
from audit_by_hand import ARC, texted

from benchsim.links.audit_text import check_of, does_not_close, frame, growth_does_not_close, in_words, parse

# Nine segments from ST to SE: ST ID1 VA1 PA1 PA2 PA1 PA2 G85 SE.
BODY = "ST*001*0001\r\nID1*1*B*2\r\nVA1*350*3*350*3\r\nPA1*101*125\r\nPA2*2*250*2*250\r\nPA1*102*100\r\nPA2*1*100*1*100\r\n"
WHOLE = f"DXS*READER0001*VA*V0/6*1\r\n{BODY}G85*{ARC.checksum(BODY.encode()):04X}\r\nSE*9*0001\r\nDXE*1*1\r\n".encode()
PARTS = BODY.split("\r\n")[1:-1]


def test_a_text_by_hand():
    text = parse(WHOLE)
    assert WHOLE == texted(*PARTS).replace(b"TEST000001", b"READER0001")
    assert (text.wrong, text.check_right, does_not_close(text)) == ((), True, [])
    assert text.numbers("VA1") == {"value": 350, "count": 3, "value since reset": 350, "count since reset": 3}
    assert text.products()["101"] == {
        "price": 125, "count": 2, "value": 250, "count since reset": 2, "value since reset": 250,
    }  # fmt: skip
    assert len(text.of("PA2")) == 2 and text.numbers("CA2") == {} and text.of("CA2") == []


def test_frame_makes_that_text():
    segments = [tuple(line.split("*")) for line in BODY.split("\r\n")[:-1]]
    assert frame(segments, "READER0001").encode() == WHOLE


def test_a_check_that_no_text_has():
    assert check_of("") == 0 and check_of("123456789") == 0xBB3D
    assert parse(texted(*PARTS, check=ARC.checksum(BODY.encode()) ^ 1)).check_right is False
    assert parse(WHOLE.replace(b"PA1*102*100", b"PA1*102*101")).check_right is False
    assert parse(WHOLE.replace(b"G85", b"G86")).check_right is None
    assert parse(b"G85*0000\r\n").check_right is None and parse(b"XX\r\nG85*0000\r\n").check_right is False


def test_a_segment_named_in_the_middle_of_an_element_is_none():
    body = "ST*001*0001\r\nID1*AST*1*XG85\r\n"
    whole = f"DXS*R*ST*1\r\n{body}G85*{ARC.checksum(body.encode()):04X}\r\nSE*4*0001\r\nDXE*1*1\r\n".encode()
    assert parse(whole)[1:] == ((), True)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda t: t.replace(b"SE*9", b"SE*8"), "SE01 = '8', but 9 segments stand from ST to SE"),
        (lambda t: t.replace(b"SE*9", b"SE*nine"), "SE01 = 'nine'"),
        (lambda t: t.replace(b"SE*9*0001", b"SE*9*0002"), "SE02 is not the control number of ST"),
        (lambda t: t.replace(b"VA1*350", b"VA1*3x0"), "segment 4: VA101 = '3x0', expected a number"),
        (lambda t: t.replace(b"VA1*350", b"VA1*" + b"9" * 30), "segment 4: VA101 = '99999999999999999999', expected a number"),
        (lambda t: t.replace(b"ID1*1", b"ID1*\xe9"), "byte 43: E9, expected ASCII"),
        (lambda t: t.replace(b"ID1*1*B", b"ID1*1*\x07"), "segment 3: ID1: a character that is not printable"),
        (lambda t: t.replace(b"PA1*101*125\r\n", b""), "a PA2 without a PA1 of its own before it"),
        (lambda t: t.replace(b"PA1*102", b"PA1*101"), "two PA1 for the selection '101'"),
        (lambda t: t.replace(b"ID1", b"id1"), "segment 3: 'id1', expected a name such as PA1"),
        (lambda t: t[:-2], "segment 11: no CR LF at its end"),
        (lambda t: t.replace(b"DXE*1*1\r\n", b""), "expected one DXE, found 0"),
        (lambda t: t + t, "expected one DXS, found 2"),
        (lambda t: t.replace(b"DXS*READER0001*VA*V0/6*1\r\n", b"") + b"DXS*1\r\n", "expected the order DXS, ST"),
    ],
)
def test_what_is_wrong_is_said(change, said):
    assert change(WHOLE) != WHOLE
    assert any(line.startswith(said) for line in parse(change(WHOLE)).wrong), parse(change(WHOLE)).wrong


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_no_bytes_break_it(before, after):
    for data in (before, before + WHOLE[:60] + after, WHOLE.replace(b"350", before[:5])):
        text = parse(data)
        does_not_close(text)
        growth_does_not_close(text, text)
        assert all(isinstance(in_words(segment), str) for segment in text.segments)


def test_in_words():
    assert in_words(("VA1", "350", "3")).endswith("paid vends: value 350, count 3")
    assert in_words(("PA1", "101", "125")).endswith("selection 101: price 125")
    assert in_words(("EA2", "DOOR", "0", "2")).endswith("event DOOR: count 2")
    assert in_words(("ZZ9", "1")) == "ZZ9*1"


# ---- sums, added up by hand


def test_sums_that_do_not_come_out():
    short = texted("VA1*350*3*350*3", "PA1*101*125", "PA2*2*250*2*250")
    assert does_not_close(parse(short)) == [
        "VA1 value 350, but all PA2 make 250", "VA1 count 3, but all PA2 make 2",
        "VA1 value since reset 350, but all PA2 make 250", "VA1 count since reset 3, but all PA2 make 2",
    ]  # fmt: skip
    assert does_not_close(parse(texted("CA3*40*10*10*20*400*100*150*150"))) == []
    assert does_not_close(parse(texted("CA3*40*10*10*20*400*100*150*151"))) == [
        "CA3 in 400, but box, tubes and bills make 401"
    ]


def money(into, out, filled, by_hand, tubes):
    """Two hundred into the box, the rest into the tubes."""
    return parse(texted(f"CA3*****{into}*200*{into - 200}*0", f"CA4***{out}*{by_hand}", f"CA10**{filled}", f"CA15*{tubes}"))


def test_growth_of_the_tubes():
    start = money(1000, 100, 0, 0, 1700)
    # 300 more in, 50 paid out, 500 filled in, 20 taken out: 1700 + 300 - 50 + 500 - 20 = 2430
    assert growth_does_not_close(start, money(1300, 150, 500, 20, 2430)) == []
    assert growth_does_not_close(start, money(1300, 150, 500, 20, 2425)) == [
        "cash in less cash out 730, but tubes and boxes grew by 725"
    ]
    assert growth_does_not_close(start, parse(texted("VA1*0"))) == []
