"""Rules of the bus over every address: devices known well, a little, by their codes alone, or not at all.

Words and sums by hand (MDB/ICP 4.3 §2, §3); layouts of gateway and satellite from memory, so they only warn.
"""

import importlib.util
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import LinkInfo
from benchsim.schema import load_book

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script = bus_script.Script

GATEWAY = {"poll": "11A 01A", "seat": "gateway"}
DISPLAY = {"poll": "122 022", "seat": "display"}
ENERGY = {"poll": "12A 02A", "seat": "energy"}
SPECIAL = {"poll": "1FA 0FA", "seat": "special2"}
HOPPER = {"poll": "15B 05B", "seat": "hopper1"}
SATELLITE = {"poll": "142 042", "seat": "satellite1"}
ALL = [GATEWAY, DISPLAY, ENERGY, SPECIAL, HOPPER, SATELLITE]


def broken(script, **more):
    """What failed or warned; these scripts do not poll as regularly as a controller."""
    return [one for one in script.broken(**more) if one != "BUS-POLL-RATE board"]


def told(script, rule, seat):
    return script.judge()[rule, seat].outcome


@pytest.mark.parametrize("device", ALL, ids=lambda d: d["seat"])
def test_at_rest_nothing_is_broken_and_the_wire_is_judged(device):
    script = Script().polls(5, **device)
    assert script.broken() == []
    for rule in ("BUS-RATE", "BUS-FRAMING", "BUS-MODE-IN", "BUS-LENGTH", "BUS-ANSWER", "BUS-MUTE", "BUS-OVERLAP"):
        assert told(script, rule, device["seat"]) == "pass", rule
    assert told(script, "BUS-SUM-IN", device["seat"]) == "unseen"


@pytest.mark.parametrize("device", ALL, ids=lambda d: d["seat"])
def test_a_wrong_sum_of_a_device_is_one_everywhere(device):
    script = Script().polls(2, **device).out(device["poll"]).answer("001 002 104", seat=device["seat"])  # 01+02 = 03
    script.say("board", "0FF", 1.0)
    assert f"BUS-SUM-IN {device['seat']}" in script.broken()


@pytest.mark.parametrize("device", ALL, ids=lambda d: d["seat"])
def test_a_late_answer_is_one_everywhere(device):
    script = Script().polls(2, **device).out(device["poll"]).answer("100", after=5.1, seat=device["seat"])
    assert f"BUS-ANSWER {device['seat']}" in script.broken()


@pytest.mark.parametrize("device", ALL, ids=lambda d: d["seat"])
def test_data_that_the_controller_does_not_acknowledge(device):
    """Data of any device wants ACK, RET or NAK."""
    script = Script().polls(1, **device).out(device["poll"]).answer("001 101", seat=device["seat"])
    script.wait(20).polls(1, **device)
    assert "BUS-ACK board" in script.broken()


@pytest.mark.parametrize("device", ALL, ids=lambda d: d["seat"])
def test_a_wrong_sum_of_the_controller(device):
    first = device["poll"].split()[0]
    script = Script().polls(1, **device).out(f"{first} 001")
    assert "BUS-SUM-OUT board" in script.broken()


def test_every_device_of_the_bus_is_named_in_the_verdicts():
    """Rules about any device apply to whoever spoke, file or not."""
    found = Script().polls(2, **ENERGY).judge()
    assert found["BUS-JUST-RESET", "energy"].outcome == "unseen"


# ---- what is known by its code alone


@pytest.mark.parametrize(
    "words",
    [
        ("121 001 002 024", "001 002 103"),  # display SETUP: 21+01+02 = 24
        ("123 041 042 0A6", "100"),  # DISPLAY: 23+41+42 = A6
        ("127 000 027", "042 053 195"),  # EXPANSION, whatever it says: 42+53 = 95
        ("120 020", "100"),
    ],
)
def test_a_display_may_be_told_anything(words):
    out, back = words
    script = Script().polls(2, **DISPLAY).out(out).answer(back, seat="display")
    if back != "100":
        script.ack()
    assert script.polls(2, **DISPLAY).broken() == []


def test_what_follows_a_reset_of_a_display_is_not_known():
    """Its JUST RESET code is not known, so the first data after RESET is not held against it."""
    script = Script().out("120 020").answer("100", seat="display").out("122 022").answer("005 105", seat="display").ack()
    assert script.broken() == []
    assert told(script, "BUS-JUST-RESET", "display") == "unseen"


def test_an_unknown_code_of_a_display_only_warns():
    script = Script().polls(1, **DISPLAY).out("124 024").answer("100", seat="display")
    assert told(script, "BUS-UNDERSTOOD", "board") == "warn"


def test_silence_of_a_display_only_warns():
    """Its non-response time of 5 s is not certain (C); the changer's 2 s are (B)."""
    script = Script().polls(2, **DISPLAY)
    for _ in range(60):
        script.out("122 022", 100)
    assert told(script, "BUS-SILENT", "display") == "warn"
    script = Script().polls(2)
    for _ in range(25):
        script.out("10B 00B", 100)
    assert told(script, "BUS-SILENT", "changer") == "fail"


def test_a_reset_too_soon_of_a_display_only_warns():
    script = Script().polls(2, **DISPLAY).out("122 022", 100).out("120 020", 100)
    assert told(script, "BUS-PATIENCE", "board") == "warn"


def test_nobody_knows_what_lives_at_an_experimental_address():
    # E1+55+AA = 1E0 -> E0; 11+22+33 = 66
    script = Script().out("1E1 055 0AA 0E0").answer("011 022 033 166", seat="experimental1").ack()
    assert script.polls(2, poll="1E2 0E2", seat="experimental1").broken() == []
    assert told(script, "BUS-SUM-IN", "experimental1") == "pass"


# ---- what is known a little: gateway and satellite


def gateway_started(**more):
    script = Script(**more).out("118 018").answer("100", seat="gateway")
    script.out("11A 01A").answer("000 100", seat="gateway").ack()
    # SETUP 19+01+05+02 = 21, CONFIG 01+01+00+0A = 0C
    return script.out("119 001 005 002 021").answer("001 001 000 00A 10C", seat="gateway").ack()


def test_a_gateway_starts_up():
    script = gateway_started().out("11C 001 01D").answer("100", seat="gateway").polls(2, **GATEWAY)
    assert broken(script) == []
    assert told(script, "BUS-JUST-RESET", "gateway") == told(script, "BUS-SHAPE", "gateway") == "pass"
    assert told(script, "BUS-UNDERSTOOD", "board") == "pass"


def test_a_gateways_config_is_no_readers():
    """Rules that read amounts by a reader's scale listen too; they need the kit link beside the bus."""
    kit = LinkInfo("kit", "host", 6_250)
    assert broken(gateway_started(links=[kit]).polls(2, **GATEWAY)) == []


def test_a_gateway_without_just_reset_fails():
    """JUST RESET after RESET: MDB/ICP 4.3 §2."""
    script = Script().out("118 018").answer("100", seat="gateway")
    script.out("11A 01A").answer("002 102", seat="gateway").ack()
    assert told(script, "BUS-JUST-RESET", "gateway") == "fail"


@pytest.mark.parametrize(
    ("out", "outcome"),
    [
        ("119 001 01A", "warn"),  # SETUP too short, from memory: 19+01 = 1A
        ("119 001 005 002 000 021", "warn"),  # too long
        ("11B 009 024", "warn"),  # a report that we do not know: 1B+09 = 24
        ("11E 01E", "warn"),  # a command that we do not know
        ("11F 0FD 018 034", "fail"),  # file transport is fairly certain: 1F+FD+18 = 134 -> 34, a byte short
        ("11F 0FD 018 008 03C", "pass"),  # and whole: +08 = 3C
    ],
)
def test_commands_to_a_gateway(out, outcome):
    script = gateway_started().out(out)
    if outcome != "fail":
        script.answer("100", seat="gateway")
    assert told(script, "BUS-UNDERSTOOD", "board") == outcome
    others = [one for one in broken(script) if not one.startswith("BUS-UNDERSTOOD")]
    assert others == []  # nor does a wrong layout look like a wrong sum


@pytest.mark.parametrize(
    ("back", "outcome"),
    [
        ("007 014 11B", "pass"),  # signal strength 20
        ("001 009 10A", "warn"),  # CONFIG, a byte of it
        ("020 120", "warn"),  # a code that we do not know
        ("01E 008 018 13E", "pass"),  # file transport, whole
        ("01E 008 126", "fail"),  # and short: 1E+08 = 26
    ],
)
def test_answers_of_a_gateway(back, outcome):
    script = gateway_started().out("11A 01A").answer(back, seat="gateway").ack()
    assert told(script, "BUS-SHAPE", "gateway") == outcome


def test_an_event_of_a_gateway_that_is_not_offered_again():
    """Not ACKed, then gone: a fault where the code is known for sure to be an event, of which C is not."""
    for back, outcome in (("002 102", "unseen"), ("01E 008 018 13E", "fail")):
        script = gateway_started().out("11A 01A").answer(back, seat="gateway").say("board", "0FF", 1.0)
        script.polls(2, **GATEWAY)
        assert told(script, "BUS-REPEAT", "gateway") == outcome


def test_a_satellite_asks_and_is_granted():
    # request row 0, column 1, price 20: 01+00+01+00+14 = 16; grant 43+00+00+01 = 44; status 02+00+01+00 = 03
    script = Script().out("140 040").answer("100", seat="satellite1")
    script.out("142 042").answer("000 100", seat="satellite1").ack()
    script.out("142 042").answer("001 000 001 000 014 116", seat="satellite1").ack()
    script.out("143 000 000 001 044").answer("100", seat="satellite1").polls(3, **SATELLITE)
    script.out("142 042").answer("002 000 001 000 103", seat="satellite1").ack()
    assert script.broken() == []
    assert script.broken(blind=True) == []
    assert told(script, "BUS-SHAPE", "satellite1") == told(script, "BUS-JUST-RESET", "satellite1") == "pass"


def test_every_satellite_is_one_of_its_own():
    script = Script()
    for poll, seat in (("142 042", "satellite1"), ("14A 04A", "satellite2"), ("152 052", "satellite3")):
        script.polls(2, poll=poll, seat=seat)
    assert broken(script) == []
    assert {seat for (rule, seat) in script.judge() if rule == "BUS-ANSWER"} == {"satellite1", "satellite2", "satellite3"}


# ---- the recycler of a validator


def test_a_recyclers_commands_may_say_anything():
    """37 03 to 37 0A are known by code alone; enabled or not only warns."""
    script = Script().polls(1, poll="133 033", seat="validator")
    script.out("137 003 03A").answer("001 002 003 106", seat="validator").ack()  # 37+03 = 3A; 01+02+03 = 06
    script.out("137 006 001 000 001 03F").answer("100", seat="validator")  # 37+06+01+00+01 = 3F
    script.out("133 033").answer("021 121", seat="validator").say("board", "0FF", 1.0)
    script.polls(2, poll="133 033", seat="validator")
    assert [one for one in script.broken() if "validator" in one] == []
    assert told(script, "BUS-UNDERSTOOD", "board") != "fail"


# ---- anything at all

LINK_ONLY = [0x20, 0x28, 0x58, 0x68, 0x70, 0xE0, 0xE8, 0xF0, 0xF8]
ANYWHERE = [0x08, 0x10, 0x18, 0x30, 0x40, 0x48, 0x50, 0x60, *LINK_ONLY]


def _exchange(script, address, command, data, back):
    """Whole on the wire: sums right, answer in time, data acknowledged."""
    out = bytes((address | command, *data))
    words = [f"{w:03X}" for w in (out[0] | 0x100, *out[1:], sum(out) & 0xFF)]
    script.out(" ".join(words))
    seat = load_book().seat_at(address)
    if back is None:
        return
    if not back:
        script.answer("100", seat=seat)
    else:
        script.answer(" ".join(f"{w:03X}" for w in (*back, sum(back) & 0xFF | 0x100)), seat=seat).ack()


EXCHANGES = st.tuples(
    st.integers(0, 7), st.binary(max_size=33), st.one_of(st.none(), st.just(b""), st.binary(min_size=1, max_size=35))
)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(LINK_ONLY), EXCHANGES), min_size=1, max_size=12))
def test_whatever_is_whole_on_the_wire_fails_nobody_where_only_codes_are_known(talk):
    script = Script()
    for address, (command, data, back) in talk:
        _exchange(script, address, command, data, back)
    found = script.judge(end=500.0)
    assert [v for v in found.values() if v.outcome == "fail"] == []


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(ANYWHERE), EXCHANGES), min_size=1, max_size=12), st.booleans())
def test_no_rule_stumbles_over_anything_from_any_address(talk, blind):
    """Beside the kit link, so that every rule which listens to the bus is there."""
    script = Script(links=[LinkInfo("kit", "host", 6_250), LinkInfo("panel", "host", 75_000)])
    for address, (command, data, back) in talk:
        _exchange(script, address, command, data, back)
    assert script.judge(blind=blind)
