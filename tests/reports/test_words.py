"""Figures and words for people."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_record import clean_record, document, sample_record, unsure_record, untested_record, verdict

from benchsim.reports.rows import bound, limit_text, rows, unseen_by_reason
from benchsim.reports.words import (
    MARKS,
    OUTCOMES,
    figure,
    headline,
    heaviest,
    moment,
    printable,
    quantity,
    span,
    tally,
)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (5.0, "ms", "5 ms"),
        (6.21, "ms", "6.21 ms"),
        (0.000123456, "s", "0.00012346 s"),
        (1234.56789, "ms", "1234.6 ms"),
        (-1.21, "ms", "-1.21 ms"),
        (0.0, "ms", "0 ms"),
        (36, "words", "36 words"),
        (36, None, "36"),
        ([25.0, 200.0], "ms", "25 to 200 ms"),
        ([None, 200.0], "ms", "any to 200 ms"),
        (None, "ms", ""),
        ("as agreed", "ms", "as agreed"),
        (float("inf"), "s", "inf s"),
    ],
)
def test_quantity(value, unit, words):
    assert quantity(value, unit) == words


@settings(deadline=None)
@given(st.floats(min_value=-1e9, max_value=1e9))
def test_a_figure_is_near_what_it_stands_for(value):
    assert float(figure(value)) == pytest.approx(value, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (4.2, "4.2 s"),
        (59.9996, "60 s"),
        (60, "1 min"),
        (750, "12 min 30 s"),
        (3600, "1 h"),
        (90061, "1 d 1 h"),
    ],
)
def test_span(seconds, words):
    assert span(seconds) == words


@settings(deadline=None)
@given(st.text())
def test_printable_leaves_nothing_that_a_terminal_would_obey(text):
    shown = printable(text)
    assert not any(ord(sign) < 0x20 and sign not in "\t\n" or 0x7F <= ord(sign) < 0xA0 for sign in shown)
    assert not any(0xD800 <= ord(sign) < 0xE000 for sign in shown)
    shown.encode("utf-8")


def test_printable_shows_what_it_took_away():
    assert printable("a\x1b[31mb\x00\u202ec") == "a\\x1b[31mb\\x00\\u202ec"
    assert printable("gr\xfc\xdfe, 5 °C, 日本\n") == "gr\xfc\xdfe, 5 °C, 日本\n"


def test_every_outcome_has_a_mark_of_its_own_in_ascii():
    assert len(set(MARKS.values())) == len(MARKS) == len(OUTCOMES) == 5
    assert all(mark.isascii() for mark in MARKS.values())


@pytest.mark.parametrize(
    ("outcomes", "whole"),
    [
        ([], "unseen"),
        (["unseen", "pass"], "pass"),
        (["pass", "warn"], "warn"),
        (["warn", "unsure", "pass"], "unsure"),
        (["unsure", "fail"], "fail"),
    ],
)
def test_the_heaviest_outcome_stands_for_all(outcomes, whole):
    assert heaviest(outcomes) == whole


def test_headlines_say_what_happened():
    assert headline(sample_record().document) == (
        "Failed: 2 verdicts failed, 1 wrong variant slipped through the self-test "
        "and 1 legal variant was accused in the self-test."
    )
    assert headline(unsure_record().document) == (
        "Unsure: nothing failed, but 1 verdict lies within the doubt of the measurement."
    )
    assert headline(untested_record().document) == "Unsure: nothing was put to the test."
    assert headline(clean_record().document).startswith("Passed: every rule that was put to the test held")
    missed = [{"variant": "v", "seat": "board", "rule": "BUS-ACK", "caught": False, "seeds": 1, "missed": [1]}]
    caught, clear = missed[0] | {"caught": True, "missed": []}, {"variant": "w", "seat": "board", "failed": [], "seeds": 1}
    assert headline(document([verdict("BUS-ACK", "pass", None, 1)], [caught], outcome="pass", legal=[clear])) == (
        "Passed: every rule that was put to the test held, and the self-test caught all of 1 wrong variant "
        "and accused none of 1 legal one."
    )
    assert headline(document([verdict("BUS-ACK", "pass", None, 1)], missed)) == (
        "Failed: 1 wrong variant slipped through the self-test."
    )


LIMITS = [
    # worst, limit, margin, samples, legal values, words
    (6.2, 5.0, -1.2, [], (None, 5.0), "at most 5 ms"),
    (2.0, 5.0, 3.0, [], (None, 5.0), "at most 5 ms"),
    (90.0, 100.0, -10.0, [], (100.0, None), "at least 100 ms"),
    (120.0, 100.0, 20.0, [], (100.0, None), "at least 100 ms"),
    (5.0, 5.0, 0.0, [1.0, 2.0, 5.0], (None, 5.0), "at most 5 ms"),
    (100.0, 100.0, 0.0, [100.0, 130.0], (100.0, None), "at least 100 ms"),
    (5.0, 5.0, 0.0, [], (None, None), "5 ms"),
    (None, 5.0, None, [], (None, None), "5 ms"),
    (231.0, [25.0, 200.0], -31.0, [], (25.0, 200.0), "25 to 200 ms"),
    (231.0, [None, 200.0], -31.0, [], (None, 200.0), "at most 200 ms"),
    (20.0, [25.0, None], -5.0, [], (25.0, None), "at least 25 ms"),
    (None, None, None, [1.0], (None, None), ""),
    (1.0, "as agreed", 0.5, [1.0], (None, None), "as agreed"),
]


@pytest.mark.parametrize(("worst", "limit", "margin", "samples", "legal", "words"), LIMITS)
def test_which_side_of_a_limit_is_legal(worst, limit, margin, samples, legal, words):
    told = verdict("BUS-ACK", "pass", None, 1, worst=worst, limit=limit, margin=margin, unit="ms")
    assert bound(told, samples) == legal
    assert limit_text(told, samples) == words


def test_rows_gather_a_rule_over_all_cases():
    first = rows(sample_record())[0]
    assert (first.rule, first.judged, first.outcome) == ("BUS-ACK", "board", "fail")
    assert (first.checked, first.broken) == (1904 + 1877, 3)
    assert first.telling["case"] == "noisy-coils"


def test_rows_stand_heaviest_first_and_seats_apart():
    record = sample_record()
    record.document["verdicts"] += [verdict("BUS-SUM-IN", "fail", "plain-sale", 3, 1, judged="changer")]
    record.document["verdicts"] += [verdict("BUS-SUM-IN", "pass", "plain-sale", 3, judged="validator")]
    order = [(row.outcome, row.rule, row.judged) for row in rows(record)]
    assert order[:6] == [
        ("fail", "BUS-SUM-IN", "changer"),
        ("fail", "BUS-ACK", "board"),
        ("fail", "KIT-PRICE-WHOLE", "board"),
        ("unsure", "BUS-SETTLE", "board"),
        ("warn", "BUS-POLL-RATE", "board"),
        ("pass", "BUS-GAP", "board"),
    ]
    assert ("pass", "BUS-SUM-IN", "validator") in order


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        ("fail", "broken 3 of 10"),
        ("warn", "broken 3 of 10"),
        ("unsure", "checked 10 times, too near its limit to tell"),
        ("pass", "checked 10 times"),
    ],
)
def test_what_came_of_the_checks(outcome, words):
    assert tally(verdict("BUS-ACK", outcome, None, 10, 3)) == words


def test_what_happened_off_the_links_has_no_frame():
    assert moment({"time_s": 1.5, "frame": 12, "text": ""}) == "1.500000 s, frame 12"
    assert moment({"time_s": 1.5, "frame": None, "text": ""}) == "1.500000 s"


def test_a_rule_seen_in_one_case_is_not_listed_as_unseen():
    reasons = unseen_by_reason(rows(sample_record()))
    listed = {row.rule for held in reasons.values() for row in held}
    assert listed == {"BUS-RATE", "SYS-COLD", "SYS-DOOR"}  # CSH-FUNDS was seen in the other case
    assert "the door was never opened" in reasons
