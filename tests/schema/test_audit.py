"""The audit link's protocol file: codes of ISO/IEC 646, handshake blocks by hand, errors in one line."""

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND
from benchsim.schema import Misfit, load_book, protocols_folder, read_toml
from benchsim.schema.audit import AuditSpec

SPEC = load_book().audit
TABLE = read_toml(protocols_folder() / "audit" / "dex.toml")


def test_words_and_limits():
    assert SPEC.word.ticks == 10 * 7_500  # ten bits at 9600 baud
    assert SPEC.limits["gap"].high == 250 * TICKS_PER_MS
    assert SPEC.limits["answer"].high == TICKS_PER_SECOND
    assert (SPEC.limits["block"].high, SPEC.limits["tries"].high) == (245, 5)
    assert (SPEC.asks, SPEC.answers) == ("auditor", "board")


def test_handshake_blocks_by_hand():
    assert SPEC.build_request(id="BSR0000001", operation="R") == b"BSR0000001RR01L01"
    assert SPEC.build_request(id="BSR", operation="S") == b"BSR       SR01L01"
    assert SPEC.build_response(id="BSM0000001", result="00") == b"00BSM0000001R01L01"
    assert SPEC.parse_request(b"BSR0000001RR01L01") == {"id": "BSR0000001", "operation": "R", "revision": "R01L01"}
    assert SPEC.parse_response(b"01BSM0000001R01L01")["result"] == "01"


@pytest.mark.parametrize("data", [b"", b"BSR0000001XR01L01", b"BSR0000001RR01L0", b"BSR00000\x0001RR01L01"])
def test_requests_that_are_none(data):
    with pytest.raises(Misfit):
        SPEC.parse_request(data)


@pytest.mark.parametrize("values", [{"id": "BSR00000012"}, {"id": "BSR\x10"}, {"id": "é"}, {"other": "1"}])
def test_values_that_do_not_fit(values):
    with pytest.raises(Misfit):
        SPEC.build_request(**{"id": "BSR", "operation": "R"} | values)


@given(st.binary(max_size=30))
def test_any_handshake_block_has_words(data):
    assert SPEC.handshake_text(data).isprintable()


def broken(path, value):
    table = copy.deepcopy(TABLE)
    at = table
    for key in path[:-1]:
        at = at[key]
    if value is None:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    return table


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("codes", "ACK0"), "10", "codes.ACK0: expected two bytes"),
        (("codes", "ENQ"), "zz", "codes.ENQ: expected bytes in hex"),
        (("codes", "ACK0"), "11 30", "begin with DLE"),
        (("codes", "ETX"), "17", "two names have one code"),
        (("codes", "EOT"), None, "EOT"),
        (("handshake", "request"), ["id ten"], "handshake.request: expected a name and a number"),
        (("check", "name"), "CRC-8", "check.name: expected one of"),
        (("limits", "gap", "max"), "soon", "limits.gap"),
        (("limits", "tries"), None, "tries"),
        (("extra",), 1, "extra"),
    ],
)
def test_a_broken_file_gives_one_line(path, value, said):
    with pytest.raises(UsageError) as error:
        AuditSpec(broken(path, value), "audit/dex.toml")
    assert said in str(error.value) and str(error.value).startswith("audit/dex.toml") and "\n" not in str(error.value)
