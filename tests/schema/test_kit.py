"""The kit link's file compiled: bodies by hand, whole round trips, errors that name file and key."""

import copy

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.schema import Misfit, load_book, protocols_folder, read_toml
from benchsim.schema.kit import KitSpec

KIT = load_book().kit
PANEL = load_book().panel
IDENT = {"maker": "BENCH", "model": "M", "serial": "0001", "firmware": "0123", "rows": 6, "columns": 8}

# Bodies by hand from the kit link reference: kind, seq, payload; integers big-endian.
REQUESTS = [
    ("01 00", "RESET", 0, {}),
    ("03 ff", "POLL", 255, {}),
    ("06 07 05 02 00 7d", "VEND", 7, {"row": 5, "column": 2, "price": 125}),
    ("08 01 00 30", "PRICE-BEGIN", 1, {"entries": 48}),
    ("09 02 00 38 02 00 64 ff ff", "PRICE-PART", 2, {"first": 56, "n": 2, "prices": [100, 0xFFFF]}),
    ("0a 03 90 6e", "PRICE-COMMIT", 3, {"check": 0x906E}),
    ("0b 04 01 ff ce", "SETPOINT", 4, {"duty": 1, "tenths": -50}),
    ("0d 05 02", "SURVEY-READ", 5, {"first": 2}),
    ("0e 06 69 5b 6f 80", "CLOCK", 6, {"utc": 0x695B6F80}),
    ("10 07 00 00 38", "PRICE-READ", 7, {"first": 0, "n": 56}),
]
ANSWERS = [
    ("81 00 00 01 02", "RESET", 0, 0, {"version": 1, "cause": 2}),
    ("86 07 07", "VEND", 7, 7, {}),
    ("87 08 00 00 00 01 2c", "REFUND", 8, 0, {"amount": 300}),
    ("8d 09 00 02 00 05 80 00", "SURVEY-READ", 9, 0, {"n": 2, "rows": [5, 0x8000]}),
    ("8f 0a 00 00 00 00 01 00 00 00 02 00 00 00 03 00 04", "COUNTERS", 10, 0,
     {"requests": 1, "bad_frames": 2, "vends": 3, "starts": 4}),
    ("90 0b 00 00 64 ff ff", "PRICE-READ", 11, 0, {"prices": [100, 0xFFFF]}),
    ("82 0c 00 42 45 4e 43 48 20 20 20 20 20 20 20 4d" + " 20" * 11 + " 30 30 30 31" + " 20" * 8 + " 01 23 06 08",
     "IDENT", 12, 0, IDENT),
]  # fmt: skip


@pytest.mark.parametrize("raw, name, seq, fields", REQUESTS, ids=lambda v: str(v)[:20])
def test_requests(raw, name, seq, fields):
    body = bytes.fromhex(raw)
    got = KIT.parse_request(body)
    assert (got.op, got.name, got.seq, got.fields) == (body[0], name, seq, fields)
    assert KIT.build_request(name, seq, **fields) == body


@pytest.mark.parametrize("raw, name, seq, status, fields", ANSWERS, ids=lambda v: str(v)[:20])
def test_answers(raw, name, seq, status, fields):
    body = bytes.fromhex(raw)
    got = KIT.parse_answer(body)
    assert (got.op, got.name, got.seq, got.status, got.fields) == (body[0] - 0x80, name, seq, status, fields)
    assert KIT.build_answer(name, seq, status, **fields) == body


# state 3, credit 300, two events: number 5 CREDIT coin 100 total 300; number 6 DOOR closed
POLLED = bytes.fromhex("83 01 00 03 00 00 01 2c 02  05 02 09 01 00 00 00 64 00 00 01 2c  06 04 01 00")


def test_events_of_a_poll():
    got = KIT.parse_answer(POLLED)
    assert (got.fields["state"], got.fields["credit"]) == (3, 300)
    first, second = got.fields["events"]
    assert (first.number, first.code, first.name) == (5, 2, "CREDIT")
    assert first.fields == {"source": 1, "amount": 100, "total": 300}
    assert (second.number, second.name, second.fields, second.raw) == (6, "DOOR", {"open": 0}, b"\x00")
    assert KIT.build_answer("POLL", 1, state=3, credit=300, events=[first, second]) == POLLED
    assert KIT.build_answer("POLL", 1, state=3, credit=300, events=[(5, 2, first.raw), (6, 4, b"\x00")]) == POLLED


@pytest.mark.parametrize(
    "raw, kind",
    [
        ("83 01", "length"), ("83 01 04 00", "length"), ("83 01 08", "range"), ("d5 01 00", "unknown"),
        ("83 01 00 07 00 00 00 00 00", "range"), ("83 01 00 03 00 00 00 00 01", "length"),
        ("83 01 00 03 00 00 00 00 00 05 04 01 00", "length"), ("83 01 00 03 00 00 00 00 01 05 04 02 00", "length"),
        ("83 01 00 03 00 00 00 00 01 05 77 01 00", "range"), ("83 01 00 03 00 00 00 00 01 05 04 01 02", "range"),
        ("81 01 00 01 03", "range"), ("84 01 00 00", "length"),
    ],
)  # fmt: skip
def test_answers_that_do_not_fit(raw, kind):
    with pytest.raises(Misfit) as caught:
        KIT.parse_answer(bytes.fromhex(raw))
    assert caught.value.kind == kind


@pytest.mark.parametrize(
    "raw, kind",
    [
        ("55 01", "unknown"), ("03 01 00", "length"), ("06 01 00 00 00", "length"), ("0b 01 03 00 00", "range"),
        ("09 01 00 00 39" + " 00 01" * 57, "range"), ("09 01 00 00 02 00 01", "length"),
    ],
)  # fmt: skip
def test_requests_that_do_not_fit(raw, kind):
    with pytest.raises(Misfit) as caught:
        KIT.parse_request(bytes.fromhex(raw))
    assert caught.value.kind == kind


def test_a_report_of_the_panel():
    # kit link reference, touch panel: down, x, y
    assert PANEL.parse_report(b"\x01\x08\x00\x0f\xff") == {"down": 1, "x": 2048, "y": 4095}
    assert PANEL.build_report(down=0, x=1, y=2) == b"\x00\x00\x01\x00\x02"
    for raw in (b"\x02\x00\x00\x00\x00", b"\x01\x10\x00\x00\x00", b"\x01\x00\x00\x00", b"\x01" + bytes(5)):
        with pytest.raises(Misfit):
            PANEL.parse_report(raw)


@pytest.mark.parametrize(
    "body, text",
    [
        ("01 00", "RESET seq 0"), ("06 07 05 02 00 7d", "VEND seq 7: row 5, column 2, price 125"),
        ("86 07 07", "VEND answer seq 7: not enough credit"), ("84 07 00", "OPEN-SALE answer seq 7: ok"),
    ],
)  # fmt: skip
def test_text_for_people(body, text):
    assert KIT.text(bytes.fromhex(body)) == text


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=30) | st.binary(max_size=20).map(lambda b: b"\x83\x01\x00\x03\x00\x00\x00\x00" + b))
def test_any_body_is_parsed_or_misfits_and_always_has_a_text(body):
    assert "\n" not in KIT.text(body)
    for parse in (KIT.parse_request, KIT.parse_answer):
        try:
            parse(body)
        except (Misfit, IndexError) as error:
            assert isinstance(error, Misfit) or len(body) < 2


# ---- errors at load

FILE = read_toml(protocols_folder() / "kit" / "reference.toml")


def changed(change):
    table = copy.deepcopy(FILE)
    change(table)
    return table


@pytest.mark.parametrize(
    "change, says",
    [
        (lambda t: t.update(colour="red"), "k.toml: unknown key 'colour'"),
        (lambda t: t.pop("check"), "k.toml: the key 'check' is missing"),
        (lambda t: t["word"].update(parity="even"), "k.toml: word: unknown key 'parity'"),
        (lambda t: t["word"].update(baud=115201), "k.toml: word.baud: 115201 does not divide"),
        (lambda t: t["word"].update(data_bits=5), "k.toml: word: expected a baud rate and 7, 8 or 9"),
        (lambda t: t["framing"].update(style="lines"), "k.toml: framing.style: expected one of flags, length, not 'lines'"),
        (lambda t: t["framing"].update(stop=1), "k.toml: framing: unknown key 'stop'"),
        (lambda t: t["check"].update(name="CRC-0"), "k.toml: check.name: expected one of CRC-16/ARC, CRC-16/IBM"),
        (lambda t: t["check"].update(order="low"), "k.toml: check.order: expected"),
        (lambda t: t["limits"]["gap"].update(max="soon"), "k.toml: limits.gap.max: expected an amount"),
        (lambda t: t["operation"][1].update(code=1), "k.toml: operation[1].code: 0x01 stands twice"),
        (lambda t: t["operation"][0].update(code=0x80), "k.toml: operation[0].code: 0x80 stands twice or does not fit"),
        (lambda t: t["operation"][1].update(name="RESET"), "k.toml: operation[1].name: 'RESET' stands twice"),
        (lambda t: t["operation"][0].update(reply=[]), "k.toml: operation[0]: unknown key 'reply'"),
        (lambda t: t["operation"][5].update(request=["row"]), "k.toml: operation[5].request[0]: expected a field"),
        (lambda t: t["operation"][5].update(request=["all hex*", "row u1"]), "k.toml: operation[5].request: 'all' has"),
        (lambda t: t["operation"][5].update(means="other", request=["all hex125"]), "k.toml: operation[5].request: longer than"),
        (lambda t: t["event"][1].update(code=1), "k.toml: event[1]: code 0x01 or name 'CREDIT' stands twice"),
        (lambda t: t["event"][0].update(data=["cause u1 a"]), "k.toml: event[0].data[0]: expected a"),
    ],
)
def test_errors_at_load_name_file_and_key(change, says):
    with pytest.raises(UsageError) as caught:
        KitSpec(changed(change), "k.toml")
    assert str(caught.value).startswith(says)
    assert "\n" not in str(caught.value)


def test_the_file_as_it_stands_loads():
    assert len(KitSpec(FILE, "k.toml").operations) == 16
