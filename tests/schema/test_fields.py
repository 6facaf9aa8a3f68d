"""The field language: bytes by hand, round trips of any layout, errors that name their place."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.schema.fields import Layout, Misfit

# Bytes and values worked out by hand from the meaning of each line.
EXAMPLES = [
    (["price u2"], "01 02", {"price": 0x0102}),
    (["tenths s2"], "ff ce", {"tenths": -50}),
    (["utc u4"], "69 5b 6f 80", {"utc": 0x695B6F80}),
    (["currency bcd2"], "19 78", {"currency": "1978"}),
    (["maker ascii3"], "41 42 20", {"maker": "AB"}),
    (["accept bits2"], "80 01", {"accept": 0x8001}),
    (["data hex4"], "de ad be ef", {"data": b"\xde\xad\xbe\xef"}),
    (["cause u1 0..2"], "02", {"cause": 2}),
    (["route u1 0,1,3"], "03", {"route": 3}),
    (["tubes u1[3]"], "01 02 03", {"tubes": [1, 2, 3]}),
    (["first u2", "n u1", "prices u2[n]"], "00 05 02 00 0a 00 0b", {"first": 5, "n": 2, "prices": [10, 11]}),
    (["n u1", "prices u2[n]"], "00", {"n": 0, "prices": []}),
    (["code u1", "text ascii*"], "07 48 49", {"code": 7, "text": "HI"}),
    (["pairs u1*"], "01 02 03", {"pairs": [1, 2, 3]}),
    (["prices u2*"], "00 01 ff ff", {"prices": [1, 0xFFFF]}),
    (["rest hex*"], "", {"rest": b""}),
    ([], "", {}),
]


@pytest.mark.parametrize("lines, raw, values", EXAMPLES, ids=lambda v: str(v)[:30])
def test_bytes_and_values(lines, raw, values):
    layout = Layout(lines, "x.toml: request")
    assert layout.parse(bytes.fromhex(raw)) == values
    assert layout.build(values) == bytes.fromhex(raw)
    assert layout.size_of(values) == len(bytes.fromhex(raw))


def test_trailing_zeros_may_be_left_off():
    layout = Layout(["credits u1[4] trim"], "x.toml: answer")
    assert layout.parse(b"\x05\x0a") == {"credits": [5, 10, 0, 0]}
    assert layout.parse(b"") == {"credits": [0, 0, 0, 0]}
    assert layout.parse(b"\x05\x0a\x00\x01") == {"credits": [5, 10, 0, 1]}
    with pytest.raises(Misfit, match="5 bytes, expected 0 to 4"):
        layout.parse(bytes(5))


WRONG_BYTES = [
    (["price u2"], "01", "length"), (["price u2"], "01 02 03", "length"), ([], "00", "length"),
    (["tubes u1[3]"], "01 02", "length"), (["tubes u1[3]"], "01 02 03 04", "length"),
    (["n u1", "prices u2[n]"], "02 00 0a 00", "length"), (["n u1", "prices u2[n]"], "01 00 0a 00", "length"),
    (["n u1", "prices u2[n]"], "", "length"), (["prices u2*"], "00 01 02", "length"),
    (["cause u1 0..2"], "03", "range"), (["route u1 0,1,3"], "02", "range"),
    (["n u1 0..2", "prices u2[n]"], "03 00 01 00 02 00 03", "range"),
    (["tubes u1[2] 0..9"], "00 0a", "range"),
]  # fmt: skip


@pytest.mark.parametrize("lines, raw, kind", WRONG_BYTES, ids=lambda v: str(v)[:30])
def test_bytes_that_do_not_fit(lines, raw, kind):
    with pytest.raises(Misfit) as caught:
        Layout(lines, "x.toml: request").parse(bytes.fromhex(raw))
    assert caught.value.kind == kind


WRONG_VALUES = [
    (["price u2"], {"price": 0x10000}, "range"), (["price u2"], {"price": -1}, "range"),
    (["tenths s2"], {"tenths": 40000}, "range"), (["cause u1 0..2"], {"cause": 3}, "range"),
    (["data hex4"], {"data": b"\x00"}, "range"), (["tubes u1[3]"], {"tubes": [1, 2]}, "range"),
    (["n u1", "prices u2[n]"], {"n": 2, "prices": [1]}, "range"),
    (["price u2"], {}, "length"), (["price u2"], {"price": 1, "row": 2}, "range"),
]  # fmt: skip


@pytest.mark.parametrize("lines, values, kind", WRONG_VALUES, ids=lambda v: str(v)[:30])
def test_values_that_do_not_fit(lines, values, kind):
    with pytest.raises(Misfit) as caught:
        Layout(lines, "x.toml: request").build(values)
    assert caught.value.kind == kind


WRONG_LINES = [
    (["price"], "x.toml: request[0]", "expected a field"),
    (["price w2"], "x.toml: request[0]", "expected a field"),
    (["Price u2"], "x.toml: request[0]", "expected a field"),
    (["row u1", "price u"], "x.toml: request[1]", "lacks its size"),
    ([7], "x.toml: request[0]", "expected a field"),
    (["cause u1 0.."], "x.toml: request[0]", "expected a range"),
    (["cause u1 1,,2"], "x.toml: request[0]", "expected a range"),
    (["row u1", "row u1"], "x.toml: request", "'row' stands twice"),
    (["prices u2[n]"], "x.toml: request", "counts by 'n'"),
    (["prices u2[n]", "n u1"], "x.toml: request", "counts by 'n'"),
    (["text ascii*", "code u1"], "x.toml: request", "must stand last"),
    (["pairs u1*", "code u1"], "x.toml: request", "must stand last"),
    (["credits u1[4] trim", "code u1"], "x.toml: request", "must stand last"),
]


@pytest.mark.parametrize("lines, place, says", WRONG_LINES, ids=lambda v: str(v)[:30])
def test_errors_at_load_name_file_and_key(lines, place, says):
    with pytest.raises(UsageError) as caught:
        Layout(lines, "x.toml: request")
    assert str(caught.value).startswith(place + ":")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def _field(name):
    """A line of the field language with a strategy for values that it can carry."""
    size = st.integers(1, 4)
    return st.one_of(
        size.flatmap(lambda n: st.just((f"{name} u{n}", st.integers(0, 256**n - 1)))),
        size.flatmap(lambda n: st.just((f"{name} bits{n}", st.integers(0, 256**n - 1)))),
        size.flatmap(lambda n: st.just((f"{name} s{n}", st.integers(-(256**n) // 2, 256**n // 2 - 1)))),
        size.flatmap(lambda n: st.just((f"{name} hex{n}", st.binary(min_size=n, max_size=n)))),
        size.flatmap(lambda n: st.just((f"{name} bcd{n}", st.text("0123456789", min_size=2 * n, max_size=2 * n)))),
        size.flatmap(lambda n: st.just((f"{name} ascii{n}", st.text("ABxyz019", max_size=n)))),
        size.flatmap(lambda n: st.just((f"{name} u2[{n}]", st.lists(st.integers(0, 65535), min_size=n, max_size=n)))),
        st.just((f"{name} u1 3..9", st.integers(3, 9))),
    )


LAST = st.sampled_from(
    [
        ("last hex*", st.binary(max_size=9)), ("last ascii*", st.text("ABxyz019", max_size=9)),
        ("last u1*", st.lists(st.integers(0, 255), max_size=9)),
        ("last u1[5] trim", st.lists(st.integers(0, 255), min_size=5, max_size=5)),
    ]
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_any_layout_parses_what_it_builds(data):
    fields = [data.draw(_field(f"f{i}")) for i in range(data.draw(st.integers(0, 4)))]
    fields += data.draw(st.lists(LAST, max_size=1))
    layout = Layout([line for line, _ in fields], "x.toml: any")
    values = {line.split()[0]: data.draw(values) for line, values in fields}
    raw = layout.build(values)
    assert layout.parse(raw) == values
    assert layout.least <= len(raw) <= layout.most


@settings(max_examples=120, deadline=None)
@given(st.sampled_from([lines for lines, _, _ in EXAMPLES]), st.binary(max_size=12))
def test_any_bytes_are_values_or_a_misfit(lines, raw):
    layout = Layout(lines, "x.toml: any")
    try:
        values = layout.parse(raw)
    except Misfit as misfit:
        assert misfit.kind in ("length", "range")
        return
    if not any("ascii" in line for line in lines):  # text loses its padding
        assert layout.build(values) == raw
