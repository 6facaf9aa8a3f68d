"""Golden captures that other tools and hands have made (fixtures/captures/README.md), read by us."""

from pathlib import Path

import pytest

from benchsim.captures import open_capture
from benchsim.events import BREAK, ticks

GOLDEN = Path(__file__).parents[2] / "fixtures" / "captures"
# MDB/ICP 4.3 §2: 11 bits at 9600 baud; the times are worked out in the README.
POLL = [(True, 1000.0, 0x10B), (True, 2145.833, 0x00B), (False, 6291.667, 0x100)]


def bus(name: str, **line_map: str) -> list[tuple[bool, float, int]]:
    """(out, start in us, word) of every word on the bus."""
    capture = open_capture(GOLDEN / name, line_map)
    return [
        (burst.out, start / 72, word)
        for burst in capture.events()
        if burst.link == "bus"
        for start, word in zip(burst.word_starts(), burst.words, strict=True)
    ]


@pytest.mark.parametrize(
    "name, wires, doubt_us",
    [
        ("poll_by_sigrok.vcd", {"bus_out": "0", "bus_in": "1"}, 0.5),  # a sample each microsecond
        ("poll_by_text2pcap.pcapng", {}, 0.001),  # nanoseconds
        ("poll_by_hand.csv", {}, 0.014),  # to the tick
    ],
)
def test_the_same_words_at_the_same_times(name, wires, doubt_us):
    found = bus(name, **wires)[:3]
    assert [(out, word) for out, _, word in found] == [(out, word) for out, _, word in POLL]
    for (_, at, _), (_, true, _) in zip(found, POLL, strict=True):
        assert abs(at - true) <= doubt_us + 0.001


def test_the_rest_of_what_was_typed():
    capture = open_capture(GOLDEN / "poll_by_hand.csv")
    events = list(capture.events())
    assert bytes(e.words[0] for e in events if e.link == "kit") == bytes.fromhex("7E 01 01 16 07 7E")
    assert (events[-1].words, events[-1].start, events[-1].end) == ((BREAK,), ticks(0.02), ticks(0.12))
    # 2 us as stated; the word may be 2 % slow (MDB/ICP 4.3 §3): 82,500 / 0.98 - 82,500 = 1,683.7 ticks.
    assert capture.links["bus"].uncertainty == 144 + 1_684
    assert not capture.cut and not capture.has_machine


def test_what_is_measured_of_the_analysers_recording():
    """Two edges to 1 us each, 11 bits told from 5 or more: 72 + 72 x 11 / 5 = 230.4 ticks."""
    capture = open_capture(GOLDEN / "poll_by_sigrok.vcd", {"bus_out": "0", "bus_in": "1"})
    assert list(capture.links) == ["bus"] and capture.links["bus"].edges
    assert capture.links["bus"].uncertainty == 231
