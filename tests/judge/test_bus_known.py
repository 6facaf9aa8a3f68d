"""What is learned of a payment device, and how its words can be meant: levels and feature bits as MDB/ICP 4.3 §7 has
them (three levels of cashless devices; feature bit 1 is money of 32 bits)."""

import pytest

from benchsim.judge.bus_known import EVERY_FEATURE, Known
from benchsim.schema import Misfit, load_book
from benchsim.schema.bus import Message

BOOK = load_book()
WIDE, IDLE = 1 << 1, 1 << 5  # 32-bit money, always idle


def reader() -> Known:
    return Known("cashless1", BOOK.devices["cashless"])


def told(name, **fields):
    return Message(name, fields)


SETUP_CONFIG = told("SETUP CONFIG", level=2)
CONFIG = told("CONFIG", level=3, response_s=7)


def shown(known):
    return [(mode.level, mode.features, mode.wide) for mode in known.modes()]


def test_of_a_stranger_everything_may_be():
    features = [(0, False), (EVERY_FEATURE, True)]
    assert shown(reader()) == [(level, *of) for level in (3, 2, 1) for of in features]


def test_both_sides_speak_the_lower_level():
    known = reader()
    known.learn(SETUP_CONFIG, [CONFIG])
    assert (known.level, known.said_level, known.used_level, known.response_s) == (3, 2, 2, 7)
    assert {level for level, *_ in shown(known)} == {2}


def test_a_level_that_only_the_device_told_is_used():
    known = reader()
    known.learn(told("POLL"), [CONFIG])
    assert known.used_level == 3


@pytest.mark.parametrize(("bits", "wide"), [(WIDE, True), (IDLE, False), (WIDE | IDLE, True)])
def test_features_are_enabled_until_it_starts_anew(bits, wide):
    known = reader()
    known.learn(told("EXPANSION REQUEST ID"), [told("IDENTIFICATION", features=WIDE | IDLE)])
    assert known.enabled is None and known.reported == WIDE | IDLE  # told, not enabled
    known.learn(told("FEATURES", features=bits), [])
    known.learn(SETUP_CONFIG, [CONFIG])
    assert shown(known) == [(2, bits, wide)]
    for anew in (lambda: known.learn(told("RESET"), []), lambda: known.learn(told("POLL"), [told("JUST RESET")]), known.forget):
        known.learn(told("FEATURES", features=bits), [])
        anew()
        assert shown(known) == [(2, 0, False)]


def test_words_are_read_in_the_first_mode_that_fits():
    def needs_level_two(mode):
        if mode.level != 2:
            raise Misfit("length", f"not at level {mode.level}")
        return mode.level

    def never(mode):
        raise Misfit("length", f"not at level {mode.level}")

    assert reader().reads(needs_level_two) == (2, None)
    found, why = reader().reads(never)
    assert found is None and str(why) == "not at level 3"
