"""The payment bus's files: worked frames, lengths by mode, and what a wrong file is told."""

import copy
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.schema import Misfit, load_book, protocols_folder
from benchsim.schema.bus import Mode, answer_words, checksum, command_words, load_bus, load_device

BOOK = load_book()
CHANGER, VALIDATOR, CASHLESS = (BOOK.devices[n] for n in ("changer", "validator", "cashless"))

# Computed by hand from the rules of MDB/ICP 4.3 §2 (checksum, mode bit) and the layouts of §5 to §7.
COMMANDS = [
    (CHANGER, "POLL", 0x08, {}, (0x10B, 0x00B)),
    (CASHLESS, "POLL", 0x10, {}, (0x112, 0x012)),
    (CASHLESS, "POLL", 0x60, {}, (0x162, 0x062)),
    (VALIDATOR, "RESET", 0x30, {}, (0x130, 0x030)),
    (CHANGER, "COIN TYPE", 0x08, {"accept": 0xFFFF, "manual": 0}, (0x10C, 0xFF, 0xFF, 0, 0, 0x0A)),
    (CHANGER, "DISPENSE", 0x08, {"count": 3, "coin": 2}, (0x10D, 0x32, 0x3F)),
    (CHANGER, "PAYOUT", 0x08, {"value": 25}, (0x10F, 0x02, 0x19, 0x2A)),
    (CASHLESS, "VEND REQUEST", 0x10, {"price": 125, "item": 17}, (0x113, 0, 0, 0x7D, 0, 0x11, 0xA1)),
    (VALIDATOR, "ESCROW", 0x30, {"stack": 1}, (0x135, 0x01, 0x36)),
]  # fmt: skip


@pytest.mark.parametrize(("device", "name", "address", "fields", "words"), COMMANDS)
def test_worked_commands(device, name, address, fields, words):
    data = device.build_command(name, address, Mode(3, 3), **fields)
    assert command_words(data) == words
    assert device.parse_command(bytes(w & 0xFF for w in words[:-1]), Mode(3, 3)) == (name, fields, False)
    assert device.command_length(data, Mode(3, 3)) == len(words)


def test_worked_answer():
    """Coin type 2 to tube, 7 in the tube (computed by hand from MDB/ICP 4.3 §5)."""
    data = CHANGER.build_activity("COIN DEPOSITED", route=1, coin=2, tube=7)
    assert answer_words(data) == (0x052, 0x007, 0x159)
    assert CHANGER.parse_answer("POLL", data) == [
        ("COIN DEPOSITED", {"route": 1, "coin": 2, "tube": 7}, True)
    ]


def test_several_activities_in_one_answer():
    """By hand, MDB/ICP 4.3 §5: three by hand from type 1 (5 left), two slugs, lever, payout busy."""
    messages = CHANGER.parse_answer("POLL", bytes.fromhex("B1 05 22 01 02"))
    assert [m.name for m in messages] == ["COIN DISPENSED BY HAND", "SLUG", "ESCROW REQUEST", "PAYOUT BUSY"]
    assert messages[0].fields == {"count": 3, "coin": 1, "tube": 5}
    assert [m.event for m in messages] == [True, True, True, False]


@pytest.mark.parametrize(
    ("route", "first"), [(0, 0x81), (1, 0x91), (2, 0xA1), (4, 0xC1)]
)  # 1rrrtttt by hand, MDB/ICP 4.3 §6
def test_bill_routes(route, first):
    assert VALIDATOR.parse_answer("POLL", bytes((first,))) == [("BILL", {"route": route, "bill": 1}, True)]


def test_begin_session_grows_with_level_and_width():
    """3, 10 and 17 bytes: MDB/ICP 4.3 §7."""
    short = bytes.fromhex("03 01 F4")
    long = short + bytes.fromhex("00000001 00 0000")
    wide = bytes.fromhex("03 000001F4 00000001 00 0000") + b"en" + bytes.fromhex("1978 00")
    for mode, data in ((Mode(1), short), (Mode(2), long), (Mode(3), long), (Mode(3, 2, True), wide)):
        (message,) = CASHLESS.parse_answer("POLL", data, mode)
        assert message.fields["funds"] == 500
    with pytest.raises(Misfit):
        CASHLESS.parse_answer("POLL", short, Mode(2))


@pytest.mark.parametrize("mode", [Mode(2), Mode(3, 2, True)])
@pytest.mark.parametrize(("data", "amount"), [("0D", None), ("0D 01 F4", 500), ("0D 00 00 01 F4", 500)])
def test_revalue_approved_is_taken_with_and_without_its_amount(mode, data, amount):
    """MDB/ICP 4.3 §7, from memory: nobody is held to one of the two ways to read it. By hand: 01F4 = 500."""
    for first in ((), ("SESSION CANCEL REQUEST",)):
        block = bytes.fromhex("04" * len(first) + data)
        *before, message = CASHLESS.parse_answer("POLL", block, mode)
        assert tuple(m.name for m in before) == first and message.fields.get("amount") == amount


def test_lengths_in_both_widths():
    """16- and 32-bit money, MDB/ICP 4.3 §7: VEND 7 or 9 words, prices 7 or 13."""
    assert CASHLESS.commands["VEND REQUEST"].lengths() == (7, 9)
    assert CASHLESS.commands["SETUP PRICES"].lengths() == (7, 13)
    assert CASHLESS.command_length(b"\x13\x00", Mode(3, 2, True)) == 9
    assert CASHLESS.mode(3, 2).wide and not CASHLESS.mode(3, 1).wide


def test_unknown_commands_have_no_length():
    assert CHANGER.command_length(b"\x0e") is None
    assert CHANGER.command_length(b"\x0f") is None
    assert CHANGER.command_length(b"\x0f\x44") is None
    with pytest.raises(Misfit):
        CHANGER.parse_command(b"\x0f\x44")


def test_answers_may_stand_only_where_they_belong():
    """MDB/ICP 4.3 §7: approved or denied at once after VEND request; out of sequence anywhere."""
    assert CASHLESS.parse_answer("VEND REQUEST", b"\x06")[0].name == "VEND DENIED"
    assert CASHLESS.parse_answer("READER ENABLE", b"\x0b\x02", Mode(2))[0].fields == {"state": 2}
    with pytest.raises(Misfit):
        CASHLESS.parse_answer("READER ENABLE", b"\x06")


def test_defined_by_level_and_features():
    assert not CHANGER.defined("PAYOUT", Mode(3, 0))
    assert CHANGER.defined("PAYOUT", Mode(3, 1))
    assert not CHANGER.defined("IDENTIFICATION", Mode(2))


def test_trailing_zeros_may_be_left_off():
    """SETUP with two coin types (by hand, MDB/ICP 4.3 §5)."""
    fields = CHANGER.parse_answer("SETUP", bytes.fromhex("03 1978 05 02 0003 01 02"))[0].fields
    assert fields["credits"] == [1, 2] + [0] * 14
    assert fields["currency"] == "1978"


def test_seats_and_addresses():
    """Addresses of MDB/ICP 4.3 §2."""
    assert (BOOK.seat_at(0x0B), BOOK.seat_at(0x33), BOOK.seat_at(0x12), BOOK.seat_at(0x62)) == (
        "changer", "validator", "cashless1", "cashless2",
    )  # fmt: skip
    assert BOOK.device_at(0x28) is None and BOOK.seat_at(0x2A) == "energy"


# ---- wrong files


def table(name):
    return tomllib.loads((protocols_folder() / "bus" / f"{name}.toml").read_text("utf-8"))


def _code_twice(t):
    t["command"][1]["code"] = "08"


def _overlap(t):
    t["activity"].append({"name": "OTHER", "code": "52"})


def _unknown_key(t):
    t["command"][0]["lenght"] = 2


def _too_long(t):
    t["command"][4]["fields"] = ["data hex35"]


def _bad_address(t):
    t["seats"]["changer"] = 0x0B


def _no_reply(t):
    t["command"][1]["replies"] = ["NOTHING"]


def _bad_bits(t):
    t["activity"][0]["bits"] = "1nn"


def _foreign_code(t):
    t["command"][1]["code"] = "31"


@pytest.mark.parametrize(
    ("spoil", "key"),
    [(_code_twice, "command[1].code"), (_overlap, "activity[21].code"), (_unknown_key, "lenght"),
     (_too_long, "command[4].fields"), (_bad_address, "seats.changer"), (_no_reply, "command[1].replies"),
     (_bad_bits, "activity[0].bits"), (_foreign_code, "command[1].code")],
)  # fmt: skip
def test_wrong_device_file(spoil, key):
    wrong = copy.deepcopy(table("changer"))
    spoil(wrong)
    with pytest.raises(UsageError, match="bus/x.toml") as told:
        load_device(wrong, "bus/x.toml")
    assert key in str(told.value)


def test_wrong_bus_file():
    wrong = table("link")
    wrong["block"]["ret"] = 0x00
    with pytest.raises(UsageError, match="bus/x.toml: block"):
        load_bus(wrong, "bus/x.toml")


# ---- anything at all

MODES = st.sampled_from([Mode(1), Mode(2), Mode(3), Mode(3, 3, True)])


@given(st.sampled_from([CHANGER, VALIDATOR, CASHLESS]), st.binary(max_size=36), MODES, st.data())
def test_any_bytes_parse_or_misfit(device, data, mode, draw):
    name = draw.draw(st.sampled_from(sorted(device.commands)))
    for parse in (lambda: device.parse_command(data, mode), lambda: device.parse_answer(name, data, mode)):
        try:
            parse()
        except Misfit:
            pass


@given(st.integers(0, 3), st.integers(0, 15), st.integers(0, 255))
def test_coin_deposited_round_trip(route, coin, tube):
    fields = {"route": route, "coin": coin, "tube": tube}
    assert (
        CHANGER.parse_answer("POLL", CHANGER.build_activity("COIN DEPOSITED", **fields))[0].fields == fields
    )


@given(st.binary(min_size=1, max_size=35))
def test_mode_bit_marks_the_block(data):
    out, back = command_words(data), answer_words(data)
    assert [bool(w & 0x100) for w in out] == [True] + [False] * len(data)
    assert [bool(w & 0x100) for w in back] == [False] * len(data) + [True]
    assert out[-1] & 0xFF == back[-1] & 0xFF == checksum(data)
