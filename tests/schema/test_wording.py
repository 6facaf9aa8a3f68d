"""Currency codes against ISO 4217 as the pycountry library has it, and messages in words."""

import pycountry
import pytest

from benchsim.bench import DEVICES
from benchsim.schema import load_book
from benchsim.schema.currency import ALPHABETIC, in_words
from benchsim.schema.forms import Message
from benchsim.schema.wording import layouts, said

BOOK = load_book()


def test_every_currency_is_that_of_iso_4217():
    assert ALPHABETIC == {one.numeric: one.alpha_3 for one in pycountry.currencies}


def test_currencies_of_default_settings_are_known():
    """A 1 and a numeric code of ISO 4217 (MDB/ICP 4.3 §5)."""
    told = {seat: device.SETTINGS["currency"] for seat, device in DEVICES.items() if "currency" in device.SETTINGS}
    assert {"changer", "validator", "cashless1"} <= set(told)
    for seat, digits in told.items():
        assert digits[0] == "1", seat
        assert pycountry.currencies.get(numeric=digits[1:]) is not None, seat


@pytest.mark.parametrize(
    ("digits", "words"),
    [("1978", "EUR"), ("1840", "USD"), ("1392", "JPY"), ("0049", "dialling code 49"), ("1000", ""), ("0000", ""),
     ("2978", ""), ("19a8", ""), ("978", "")],
)  # fmt: skip
def test_a_currency_in_words(digits, words):
    assert in_words(digits) == words


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({}, "X"),
        ({"coin": 2, "tube": 7}, "X: coin 2, tube 7"),
        ({"currency": "1978"}, "X: currency 1978 (EUR)"),
        ({"currency": "1000"}, "X: currency 1000"),
        ({"data": b"\x01\xff"}, "X: data 01 FF"),
        ({"data": b""}, "X: data none"),
        ({"credits": [1, 0, 4, 0, 0]}, "X: credits 1 0 4"),
        ({"credits": [0, 0]}, "X: credits none"),
        ({"text": "two words", "model": "READER"}, 'X: text "two words", model READER'),
    ],
)
def test_a_message_in_words(fields, text):
    assert said(Message("X", fields)) == text


def test_layouts_in_words():
    """By hand from MDB/ICP 4.3 §5 to §7."""
    changer, cashless = BOOK.devices["changer"], BOOK.devices["cashless"]
    assert layouts(changer.commands["RESET"].form) == [("", "none")]
    assert layouts(changer.commands["DISPENSE"].form) == [("", "nnnntttt = count, coin")]
    assert layouts(changer.commands["SETUP"].answer)[0][1].endswith(
        "tubes (2 bytes, bit mask), credits (16 x 1 byte, zeros at the end may be left off)"
    )
    assert layouts(cashless.commands["VEND REQUEST"].form) == [
        ("", "price (2 bytes), item (2 bytes)"),
        ("32-bit money", "price (4 bytes), item (2 bytes)"),
    ]
    assert [when for when, _ in layouts(cashless.activities["BEGIN SESSION"].form)] == ["", "from level 2", "32-bit money"]
    assert layouts(BOOK.devices["display"].commands["DISPLAY"].form) == [("", "data (all that is left, raw)")]
    assert layouts(changer.commands["SETUP"].form) == [("", "none")]
