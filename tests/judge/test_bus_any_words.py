"""Whatever passes over the bus, the judge finds words for it; and how a source cuts it up changes nothing."""

import importlib.util
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import BREAK, FRAMING, Burst

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script, started = bus_script.Script, bus_script.started

WORDS = st.integers(0, 0x1FF) | st.sampled_from(
    [0x108, 0x008, 0x10B, 0x00B, 0x110, 0x010, 0x112, 0x012, 0x133, 0x033, 0x135, 0x100, 0x000, 0x1FF, 0x0AA, 0x113,
     0x113 | FRAMING, 0x10B | FRAMING]
)  # fmt: skip
SAID = st.tuples(
    st.sampled_from(["board", "changer", "validator", "cashless1", ""]),
    st.lists(WORDS, min_size=1, max_size=8),
    st.integers(-100_000, 800_000),  # ticks after the last
)


def script_of(said):
    s = started()
    last = 0
    for seat, words, after in said:
        begin = max(last, s.at + after)  # in order of start, as the judge is promised
        last = begin
        values = (BREAK,) if words[0] == 0x1FE else tuple(words)
        end = begin + 82_500 * (len(words) if values == tuple(words) else 100)
        s.told.append(Burst(begin, end, "bus", seat == "board", seat, values))
        s.at = max(s.at, end)
    return s


@settings(max_examples=150, deadline=None)
@given(st.lists(SAID, max_size=25))
def test_any_words_are_judged(said):
    found = script_of(said).judge()
    assert all(v.outcome in ("pass", "fail", "unsure", "unseen", "warn") for v in found.values())
    assert all(v.why for v in found.values() if v.outcome == "unseen")


def test_word_by_word_is_the_same():
    whole = started().polls(3).out("10B 00B").answer("052 007 158").out("10B 00C").polls(2)
    cut = Script()
    cut.at = whole.at
    for b in whole.told:
        for word, start in zip(b.words, b.word_starts(), strict=True):
            cut.told.append(Burst(start, start + 82_500, "bus", b.out, b.sender, (word,)))
    one, two = whole.judge(), cut.judge()
    same = ("outcome", "checked", "broken", "worst")
    skip = "BUS-RATE"  # one measurement a burst, so their number differs
    assert one.keys() == two.keys()
    for key in one:
        if key[0] != skip:
            assert [getattr(one[key], n) for n in same] == [getattr(two[key], n) for n in same], key
