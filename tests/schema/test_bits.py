"""Bit layouts: bytes by hand, round trips, errors that name their place."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.schema.bits import BitLayout
from benchsim.schema.fields import Misfit

COIN = BitLayout("01rrtttt zzzzzzzz", {"r": "routing", "t": "type", "z": "tubes"}, "x.toml: coin")

# By hand from the pattern 01rrtttt zzzzzzzz
EXAMPLES = [
    ("40 00", {"routing": 0, "type": 0, "tubes": 0}),
    ("53 0c", {"routing": 1, "type": 3, "tubes": 12}),
    ("7f ff", {"routing": 3, "type": 15, "tubes": 255}),
]


@pytest.mark.parametrize("raw, values", EXAMPLES)
def test_bytes_and_values(raw, values):
    assert COIN.parse(bytes.fromhex(raw)) == values
    assert COIN.build(values) == bytes.fromhex(raw)


def test_a_field_may_reach_over_a_byte_border():
    layout = BitLayout("1111aaaa aaaabbbb", {"a": "wide", "b": "low"}, "x.toml: wide")
    assert layout.parse(b"\xfa\xbc") == {"wide": 0xAB, "low": 0xC}


def test_first_tells_the_values_of_the_first_byte():
    assert COIN.first == tuple(range(0x40, 0x80))
    assert BitLayout("00000001", {}, "x.toml: one").first == (1,)
    assert BitLayout("1sssnnnn", {"s": "s", "n": "n"}, "x.toml: high").first == tuple(range(0x80, 0x100))


def test_misfits():
    for raw, kind in (("40", "length"), ("40 00 00", "length"), ("", "length"), ("80 00", "range"), ("00 00", "range")):
        with pytest.raises(Misfit) as caught:
            COIN.parse(bytes.fromhex(raw))
        assert caught.value.kind == kind
    good = {"routing": 0, "type": 0, "tubes": 0}
    for change, kind in (({"routing": 4}, "range"), ({"tubes": 256}, "range"), ({"type": -1}, "range")):
        with pytest.raises(Misfit) as caught:
            COIN.build(good | change)
        assert caught.value.kind == kind
    for values in ({"routing": 0}, good | {"more": 1}):
        with pytest.raises(Misfit, match="expected values for routing, type, tubes"):
            COIN.build(values)


@pytest.mark.parametrize(
    "pattern, names, says",
    [
        ("0101", {}, "expected whole bytes"), ("", {}, "expected whole bytes"), ("0101010-", {}, "expected whole bytes"),
        ("0arrarrr", {"a": "a", "r": "r"}, "'a' do not stand together"),
        ("0000000a", {}, "'a' in '0000000a' has no name"), ("00000001", {"z": "tubes"}, "tells of z"),
    ],
)  # fmt: skip
def test_errors_at_load_name_file_and_key(pattern, names, says):
    with pytest.raises(UsageError) as caught:
        BitLayout(pattern, names, "x.toml: coin.bits")
    assert str(caught.value).startswith("x.toml: coin.bits: ")
    assert says in str(caught.value)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("01abcdef"), st.integers(1, 6)), min_size=1, max_size=8), st.data())
def test_any_pattern_parses_what_it_builds(runs, data):
    text = ""
    for ch, count in runs:
        text += ch * count if ch in "01" or ch not in text else "1"
    text += "0" * (-len(text) % 8)
    letters = [ch for ch in dict.fromkeys(text) if ch.isalpha()]
    layout = BitLayout(text, {ch: f"field {ch}" for ch in letters}, "x.toml: any")
    values = {f"field {ch}": data.draw(st.integers(0, 2 ** text.count(ch) - 1)) for ch in letters}
    raw = layout.build(values)
    # the picture itself, filled in by hand: each letter's digits from the left
    digits = {ch: iter(f"{values[f'field {ch}']:0{text.count(ch)}b}") for ch in letters}
    assert raw == int("".join(ch if ch in "01" else next(digits[ch]) for ch in text), 2).to_bytes(len(text) // 8, "big")
    assert layout.parse(raw) == values
    assert raw[0] in layout.first
