"""Limits of protocol files: amounts to ticks at 72 MHz by hand, text for people, errors with their place."""

import pytest

from benchsim.errors import UsageError
from benchsim.schema import load_book
from benchsim.schema.limits import parse_limit

WORDS = {"says": "how long", "source": "invented", "confidence": "A"}


def limit(**table):
    return parse_limit("gap", WORDS | table, "x.toml: limits.gap")


@pytest.mark.parametrize(
    "amount, ticks, shown, unit",
    [
        ("1 us", 72, 0.001, "ms"), ("1 ms", 72_000, 1, "ms"), ("1.146 ms", 82_512, 1.146, "ms"),
        ("10 ms", 720_000, 10, "ms"), ("2.1 s", 151_200_000, 2.1, "s"), ("0.5 s", 36_000_000, 0.5, "s"),
        ("30 min", 129_600_000_000, 1800, "s"), ("5ms", 360_000, 5, "ms"),
        ("36 words", 36, 36, "words"), ("4 tries", 4, 4, "tries"), ("32 events", 32, 32, "events"),
        ("2.5 %", 2.5, 2.5, "%"), ("-3 %", -3, -3, "%"), ("7", 7, 7, ""),
    ],
)  # fmt: skip
def test_amounts(amount, ticks, shown, unit):
    one = limit(max=amount)
    assert (one.high, one.low, one.nominal, one.unit) == (ticks, None, None, unit)
    assert one.shown(one.high) == pytest.approx(shown)


def test_text_for_people():
    assert limit(max="20 ms").text == "at most 20 ms"
    assert limit(min="0.5 s").text == "at least 0.5 s"
    assert limit(min="50 ms", max="250 ms", nominal="100 ms").text == "50 to 250 ms"
    assert limit(max="4 tries").text == "at most 4 tries"


@pytest.mark.parametrize(
    "table, says",
    [
        ({"max": "5 ms", "most": "6 ms"}, "x.toml: limits.gap: unknown key 'most'"),
        ({}, "x.toml: limits.gap: a limit needs min or max"),
        ({"nominal": "5 ms"}, "x.toml: limits.gap: a limit needs min or max"),
        ({"max": "5 ms", "confidence": "D"}, "x.toml: limits.gap.confidence: expected A, B or C, not 'D'"),
        ({"max": "soon"}, "x.toml: limits.gap.max: expected an amount"),
        ({"max": "5 miles"}, "x.toml: limits.gap.max: expected an amount"),
        ({"min": "five ms", "max": "5 ms"}, "x.toml: limits.gap.min: expected an amount"),
        ({"min": "5 ms", "max": "6 s"}, "x.toml: limits.gap: min, max and nominal must have one unit"),
    ],
)
def test_errors_at_load_name_file_and_key(table, says):
    with pytest.raises(UsageError) as caught:
        limit(**table)
    assert str(caught.value).startswith(says)


@pytest.mark.parametrize("lacking", ["says", "source", "confidence"])
def test_a_limit_without_its_source_is_no_limit(lacking):
    table = {k: v for k, v in WORDS.items() if k != lacking} | {"max": "5 ms"}
    with pytest.raises(UsageError, match="needs min or max, and says, source, confidence"):
        parse_limit("gap", table, "x.toml: limits.gap")


# kit link reference: times of the link and of the panel, in ticks (ms * 72,000)
@pytest.mark.parametrize(
    "link, name, low, nominal, high",
    [
        ("kit", "answer", None, None, 20), ("kit", "gap", None, None, 10), ("kit", "poll", 50, 100, 250),
        ("kit", "wait", 40, 60, 100), ("kit", "first_reset", None, None, 1000), ("kit", "watchdog", 2000, None, 2100),
    ],
)  # fmt: skip
def test_limits_of_the_kit_link(link, name, low, nominal, high):
    one = load_book().links[link].limits[name]
    assert (one.low, one.nominal, one.high) == tuple(None if v is None else v * 72_000 for v in (low, nominal, high))


def test_counted_limits_of_the_kit_link():
    limits = load_book().kit.limits
    assert (limits["tries"].high, limits["queue"].high) == (4, 32)
    assert (limits["reset"].low, limits["reset"].high) == (500 * 72_000, 1000 * 72_000)
