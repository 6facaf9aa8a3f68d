"""Every address of the payment bus: who lives there, and how much is known of what is said to it."""

import copy
import tomllib

import pytest

from benchsim.errors import UsageError
from benchsim.schema import Misfit, load_book, protocols_folder
from benchsim.schema.bus import Mode, answer_words, command_words, load_bus, load_device

BOOK = load_book()
CHANGER, VALIDATOR, GATEWAY, SATELLITE = (BOOK.devices[n] for n in ("changer", "validator", "gateway", "satellite"))

# MDB/ICP 4.3 §2, the table of addresses.
ADDRESSES = {
    "changer": 0x08, "cashless1": 0x10, "gateway": 0x18, "display": 0x20, "energy": 0x28, "validator": 0x30,
    "satellite1": 0x40, "satellite2": 0x48, "satellite3": 0x50, "hopper1": 0x58, "cashless2": 0x60, "age": 0x68,
    "hopper2": 0x70, "experimental1": 0xE0, "experimental2": 0xE8, "special1": 0xF0, "special2": 0xF8,
}  # fmt: skip
NO_FILE = ("energy", "experimental1", "experimental2", "special1", "special2")


def test_every_address_has_its_seat():
    assert BOOK.bus_seats == list(ADDRESSES)
    for seat, address in ADDRESSES.items():
        assert BOOK.address_of(seat) == address
        assert all(BOOK.seat_at(address | command) == seat for command in range(8))
        assert (BOOK.device_at(address) is None) == (seat in NO_FILE)
    assert BOOK.seat_at(0x38) is None and BOOK.seat_at(0x78) is None


# Worked by hand: words from the layouts, checksum = low eight bits of the sum (MDB/ICP 4.3 §2). Layouts of the
# gateway and the satellite from memory (§8, universal satellite devices).
COMMANDS = [
    (GATEWAY, "RESET", 0x18, {}, (0x118, 0x18)),
    (GATEWAY, "POLL", 0x18, {}, (0x11A, 0x1A)),
    # 19+02+05+02 = 22
    (GATEWAY, "SETUP", 0x18, {"level": 2, "scaling": 5, "decimals": 2}, (0x119, 2, 5, 2, 0x22)),
    (GATEWAY, "CONTROL TRANSMIT", 0x18, {}, (0x11C, 2, 0x1E)),
    # 1B+04+19+78 = B0
    (GATEWAY, "REPORT CURRENCY", 0x18, {"currency": "1978"}, (0x11B, 4, 0x19, 0x78, 0xB0)),
    (SATELLITE, "POLL", 0x50, {}, (0x152, 0x52)),
    # 4B+00+03+07 = 55
    (SATELLITE, "VEND GRANTED", 0x48, {"row": 3, "column": 7}, (0x14B, 0, 3, 7, 0x55)),
    (SATELLITE, "VEND REFUSED", 0x40, {}, (0x143, 1, 0x44)),
    # 44+00+01+F4 = 139 -> 39
    (SATELLITE, "FUNDS", 0x40, {"funds": 500}, (0x144, 0, 1, 0xF4, 0x39)),
    # 0F+FE+08+18+01+1F+00 = 14D -> 4D: from the gateway to the changer
    (CHANGER, "FILE REQUEST TO SEND", 0x08,
     {"destination": 0x08, "source": 0x18, "file": 1, "length": 31, "control": 0},
     (0x10F, 0xFE, 8, 0x18, 1, 0x1F, 0, 0x4D)),
    # 37+FD+30+18 = 17C -> 7C
    (VALIDATOR, "FILE OK TO SEND", 0x30, {"destination": 0x30, "source": 0x18}, (0x137, 0xFD, 0x30, 0x18, 0x7C)),
    # 37+03+01+02 = 3D: a recycler's command, known by its code alone
    (VALIDATOR, "RECYCLER SETUP", 0x30, {"data": b"\x01\x02"}, (0x137, 3, 1, 2, 0x3D)),
]  # fmt: skip


@pytest.mark.parametrize(("device", "name", "address", "fields", "words"), COMMANDS)
def test_worked_commands(device, name, address, fields, words):
    data = device.build_command(name, address, Mode(), **fields)
    assert command_words(data) == words
    assert device.parse_command(bytes(w & 0xFF for w in words[:-1]), Mode()) == (name, fields, False)


# By hand as above: 01+02+00+0A = 0D; 01+03+07+00+7D = 88; 1D+18+00+41+42 = B8.
ANSWERS = [
    (GATEWAY, "CONFIG", {"level": 2, "wait_s": 10}, (1, 2, 0, 0x0A, 0x10D)),
    (GATEWAY, "TRANSMIT REQUEST", {}, (2, 0x102)),
    (SATELLITE, "ITEM REQUEST", {"row": 3, "column": 7, "price": 125}, (1, 3, 7, 0, 0x7D, 0x188)),
    (CHANGER, "FILE SEND BLOCK", {"destination": 0x18, "block": 0, "data": b"AB"}, (0x1D, 0x18, 0, 0x41, 0x42, 0x1B8)),
    (VALIDATOR, "RECYCLER STATUS", {"code": 1}, (0x21, 0x121)),
]  # fmt: skip


@pytest.mark.parametrize(("device", "name", "fields", "words"), ANSWERS)
def test_worked_answers(device, name, fields, words):
    assert answer_words(device.build_activity(name, Mode(), **fields)) == words
    (message,) = device.parse_answer("POLL", bytes(w & 0xFF for w in words[:-1]), Mode())
    assert (message.name, message.fields) == (name, fields)


def test_a_block_of_a_file_fills_a_bus_block():
    """31 bytes of data: 36 words, the most there are (MDB/ICP 4.3 §2). The same for a gateway's transaction."""
    full = {"destination": 0x18, "block": 1, "data": bytes(31)}
    for device in (CHANGER, VALIDATOR, GATEWAY, SATELLITE):
        address = min(device.seats.values())
        assert len(command_words(device.build_command("FILE SEND BLOCK", address, Mode(), **full))) == 36
    amounts = ("item", "price", "box", "tubes", "bills", "cashless1", "cashless2", "revalue1", "revalue2", "paid_out",
               "discount", "surcharge", "kind", "group", "list")  # fmt: skip
    sale = dict.fromkeys(amounts, 0) | {"date": "20260105", "time": "0800"}
    assert len(command_words(GATEWAY.build_command("REPORT TRANSACTION", 0x18, **sale))) == 36


FILES = ("FILE REQUEST TO RECEIVE", "FILE RETRY OR DENY", "FILE SEND BLOCK", "FILE OK TO SEND", "FILE REQUEST TO SEND")


@pytest.mark.parametrize(
    ("device", "expansion", "level", "feature"),
    [("changer", 7, 3, 3), ("cashless", 7, 3, 0), ("validator", 7, 2, 0), ("gateway", 7, 1, 0), ("satellite", 7, 1, 0)],
)
def test_file_transport_has_its_codes_everywhere(device, expansion, level, feature):
    """FA to FE in EXPANSION, 1B to 1F in answers to POLL, in the same order (MDB/ICP 4.3, file transport)."""
    spec = BOOK.devices[device]
    for i, name in enumerate(FILES):
        command, activity = spec.commands[name], spec.activities[name]
        assert (command.code, command.sub, activity.code) == (expansion, 0xFA + i, 0x1B + i)
        assert (command.level, command.feature) == (level, feature)
        assert activity.event


def test_a_recycler_and_some_devices_are_known_by_code_alone():
    recycler = [c for name, c in VALIDATOR.commands.items() if name.startswith("RECYCLER ")]
    assert [(c.sub, c.depth, c.confidence) for c in recycler] == [(n, "link", "C") for n in range(3, 0x0B)]
    for name in ("display", "hopper", "age"):
        device = BOOK.devices[name]
        assert device.just_reset is None
        assert {c.depth for c in device.commands.values()} == {"link"}
        assert {"RESET", "SETUP", "POLL", "EXPANSION"} <= set(device.commands)


# ---- what is not certain


def test_what_is_not_certain_ends_no_block():
    assert GATEWAY.commands["SETUP"].confidence == "C" and GATEWAY.commands["SETUP"].lengths() == ()
    assert GATEWAY.commands["POLL"].lengths() == (2,)
    assert BOOK.devices["display"].commands["RESET"].lengths() == ()


@pytest.mark.parametrize(
    ("device", "data", "kind"),
    [
        (CHANGER, "0F 44", "unknown"),  # a certain file without that code
        (GATEWAY, "1B 44", "unsure"),  # there may be more reports than the file has
        (GATEWAY, "19 02", "unsure"),  # a layout marked C
        (GATEWAY, "1F FD 18", "length"),  # file transport is fairly certain
    ],
)
def test_misfit_of_a_command(device, data, kind):
    with pytest.raises(Misfit) as told:
        device.parse_command(bytes.fromhex(data))
    assert told.value.kind == kind


@pytest.mark.parametrize(
    ("device", "data", "kind"),
    [
        (CHANGER, "0E", "unknown"),
        (GATEWAY, "19", "unsure"),  # no such code that we know of
        (GATEWAY, "00 19", "unsure"),
        (GATEWAY, "01 09 00 0A", "unsure"),  # level 9 in a layout marked C
        (GATEWAY, "07 20 1E 08", "unsure"),  # behind a layout marked C nothing is certain
        (GATEWAY, "1E 08", "length"),
    ],
)
def test_misfit_of_an_answer(device, data, kind):
    with pytest.raises(Misfit) as told:
        device.parse_answer("POLL", bytes.fromhex(data))
    assert told.value.kind == kind


def test_nobody_is_held_to_an_uncertain_event():
    """Whether it is an event is as uncertain as the rest of it."""
    assert GATEWAY.activities["TRANSMIT REQUEST"].event
    assert not GATEWAY.parse_answer("POLL", b"\x02")[0].event
    assert GATEWAY.parse_answer("POLL", b"\x1e\x08\x18")[0].event


# ---- wrong files


def table(name):
    return tomllib.loads((protocols_folder() / "bus" / f"{name}.toml").read_text("utf-8"))


def _command(t, name):
    return next(one for one in t["command"] if one["name"] == name)


WRONG = {
    "confidence: expected A, B or C": lambda t: t.update(confidence="D"),
    "depth: expected known or link": lambda t: _command(t, "SETUP").update(depth="deep"),
    'depth "link" allows only': lambda t: _command(t, "SETUP").update(depth="link"),
    'depth "link" is told with confidence C': lambda t: _command(t, "REPORT PRODUCT").update(confidence="B"),
    "start: there is no command 'SETUPS'": lambda t: t.update(start=["SETUPS"]),
    "just_reset: 0x2a is no activity": lambda t: t.update(just_reset=0x2A),
    "seats: expected at least one": lambda t: t.update(seats={}),
}


@pytest.mark.parametrize("told", WRONG)
def test_wrong_device_file(told):
    wrong = copy.deepcopy(table("gateway"))
    WRONG[told](wrong)
    with pytest.raises(UsageError, match="bus/x.toml") as error:
        load_device(wrong, "bus/x.toml")
    assert told in str(error.value)


def test_wrong_addresses():
    wrong = table("link")
    wrong["addresses"]["energy"] = 0x29
    with pytest.raises(UsageError, match=r"bus/x.toml: addresses.energy: expected an address"):
        load_bus(wrong, "bus/x.toml")


@pytest.mark.parametrize(
    ("line", "told"),
    [("energy = 0x08", "address 0x08 belongs to changer"), ("changer = 0xD8", "'changer' is a seat already")],
)
def test_an_address_or_a_name_twice(tmp_path, line, told):
    bus = tmp_path / "bus"
    bus.mkdir()
    for name in ("changer", "link"):
        text = (protocols_folder() / "bus" / f"{name}.toml").read_text("utf-8")
        bus.joinpath(f"{name}.toml").write_text(text.replace("energy = 0x28", line), "utf-8")
    with pytest.raises(UsageError, match=told):
        load_book(tmp_path)
