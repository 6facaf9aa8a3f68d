"""What was said around a place of evidence. Times: a word of the payment bus is 82,500 ticks."""

import pytest
from sample_record import verdict

from benchsim.events import BREAK, MODE, TICKS_PER_MS, TICKS_PER_SECOND, Burst, Happening
from benchsim.reports import exchanges
from benchsim.reports.timeline import missed_by

WORD = 82_500


def said(start_ms, out, *words, link="bus", sender=None, word=WORD):
    start = start_ms * TICKS_PER_MS
    name = sender if sender is not None else ("board" if out else "changer")
    return Burst(start, start + word * len(words), link, out, name, words)


def at(start_ms, text="late", frame=3):
    return {"time_s": start_ms / 1000, "frame": frame, "text": text}


def found(rule="BUS-ACK", outcome="fail", places=(), limit=(None, 5.0), **more):
    return verdict(rule, outcome, "c", 1, 1, limit=list(limit), unit="ms", at=list(places), **more)


POLL = said(100, True, MODE | 0x0B, 0x0B)
ANSWER = said(105, False, 0x03, MODE | 0x03)
LATE = said(115, True, 0x00)
NEXT = said(200, True, MODE | 0x33, 0x33)
CASE = [said(10, True, MODE | 0x08, 0x08), POLL, Happening(1, "board", "coil", {}), ANSWER, LATE, NEXT]


def one(events, told):
    drawn = exchanges("c", events, [told])
    assert list(drawn) == [("c", told["rule"], told["judged"])]
    return next(iter(drawn.values()))


def test_question_answer_and_what_came_of_it():
    drawn = one(CASE, found(places=[at(115)]))
    # The RESET 90 ms before and the POLL 85 ms after are too far away.
    assert [(each.lane, each.label) for each in drawn.stretches] == [
        ("board", "10B"), ("board", "00B"), ("changer", "003"), ("changer", "103"), ("board", "000"),
    ]  # fmt: skip


def test_the_limit_runs_from_the_end_of_the_turn_before():
    drawn = one(CASE, found(places=[at(115)]))
    # Two words of 11 bits at 9600 baud from 105 ms: 2.2917 ms.
    assert drawn.limit.start_s == pytest.approx(0.105 + 22 / 9600)
    assert drawn.limit.end_s == pytest.approx(0.105 + 22 / 9600 + 0.005)
    assert drawn.limit.label == "within 5 ms"
    assert missed_by(drawn) == pytest.approx(0.115 - 0.110 - 22 / 9600)


def test_a_lower_limit_is_drawn_too_and_a_break_is_one_stretch():
    broken = Burst(0, 102 * TICKS_PER_MS, "bus", True, "board", (BREAK,))
    reset = said(200, True, MODE | 0x08, 0x08)
    told = found("BUS-SETTLE", "unsure", [at(200)], limit=(200.0, None))
    drawn = one([broken, reset], told)
    assert [each.label for each in drawn.stretches] == ["break 102 ms", "108", "008"]
    assert drawn.limit.label == "not before 200 ms"
    assert missed_by(drawn) == pytest.approx(0.102)
    assert (drawn.limit.start_s, drawn.limit.end_s) == pytest.approx((0.102, 0.302))


def retry(start_ms):
    return [said(1, True, 0x7E, 3, 0x7E, link="kit", sender="host", word=6_250)] + [
        said(start_ms, True, 0x7E, 3, 0x7E, link="kit", sender="host", word=6_250)
    ]


@pytest.mark.parametrize(
    ("start_ms", "label", "ms"), [(27, "not before 40 ms", 40), (150, "within 100 ms", 100)]
)
def test_of_two_limits_the_one_that_was_passed_is_drawn(start_ms, label, ms):
    drawn = one(retry(start_ms), found("KIT-WAIT", places=[at(start_ms)], limit=(40.0, 100.0)))
    assert drawn.limit.label == label
    assert drawn.limit.end_s - drawn.limit.start_s == pytest.approx(ms / 1000)
    assert [each.label for each in drawn.stretches] == ["7E 03 7E", "7E 03 7E"]


def test_no_limit_from_a_turn_of_the_wrong_side():
    talk = [said(1, False, 1, link="kit"), said(5, True, 2, link="kit")]
    assert one(talk, found("KIT-WAIT", places=[at(5)], limit=(40.0, 100.0))).limit is None


def test_a_rule_that_times_something_else_has_no_limit_drawn():
    assert one(CASE, found("BUS-POLL-RATE", "warn", [at(100)], limit=(25.0, 200.0))).limit is None
    assert one(CASE, found("BUS-SUM-OUT", places=[at(100)], limit=())).limit is None


def test_single_words_of_a_port_are_one_turn():
    pieces = [said(100, True, MODE | 0x0B), said(102, True, 0x0B), ANSWER]
    assert [each.label for each in one(pieces, found(places=[at(105)])).stretches] == [
        "10B",
        "00B",
        "003",
        "103",
    ]


def test_every_address_word_begins_a_turn():
    unanswered = [said(100 + 10 * n, True, MODE | 0x0B, 0x0B) for n in range(6)]
    drawn = one(unanswered, found("BUS-SUM-OUT", places=[at(130)], limit=()))
    # Two before it, one after it.
    assert [round(each.start_s * 1000) for each in drawn.stretches[::2]] == [110, 120, 130, 140]


def test_a_long_turn_is_one_stretch():
    frame = said(100, False, *range(0x10, 0x2C), link="kit", sender="board", word=6_250)
    drawn = one([frame], found("KIT-FRAME", places=[at(100)]))
    assert [each.label for each in drawn.stretches] == ["10 11 12 13 14 15 16 17 ... 28 words"]
    assert drawn.stretches[0].end_s == pytest.approx(0.1 + 28 * 10 / 115200)


def test_other_links_and_what_was_long_ago_stay_out():
    old = said(0, True, 0x01, link="bus")
    kit = said(5000, True, 0x7E, link="kit", sender="host")
    now = said(5001, False, 0x02)
    assert [each.label for each in one([old, kit, now], found(places=[at(5001)])).stretches] == ["002"]


def test_a_tap_that_cannot_name_the_sender_names_the_side():
    drawn = one([said(1, True, 1, sender=""), said(5, False, 2, sender="")], found(places=[at(5)]))
    assert [each.lane for each in drawn.stretches] == ["asking side", "answering side"]


@pytest.mark.parametrize(
    "told",
    [
        found(outcome="pass", places=[at(115)]),
        found(places=[]),
        found(places=[at(115, frame=None)]),
        found("SYS-MONEY", places=[at(115)]),
        found(places=[at(50)]),  # nobody spoke then
        found(places=[at(1)]),  # before the first word
    ],
)
def test_what_cannot_be_drawn_is_left_out(told):
    assert exchanges("c", CASE, [told]) == {}


def test_any_place_of_a_tick_is_found_again_from_its_seconds():
    for tick in (1, 7_199_999, 123_456_789_011):
        burst = Burst(tick, tick + WORD, "bus", True, "board", (1,))
        assert one([burst], found(places=[at(tick / TICKS_PER_SECOND * 1000)])).stretches
