"""Rules about words, blocks and who may talk when. Every frame and checksum is written by hand;
limits are those of MDB/ICP 4.3 §2 and §3, in ticks of 72 MHz: 1.0 ms = 72,000, 5.0 ms = 360,000."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script, started = bus_script.Script, bus_script.started
WORD = bus_script.WORD


def test_a_clean_start_breaks_nothing_and_passes_what_it_tests():
    script = started().polls(5)
    assert script.broken() == []
    found = script.judge()
    for rule in ("BUS-RATE", "BUS-FRAMING", "BUS-GAP", "BUS-MODE-OUT", "BUS-SUM-OUT", "BUS-LENGTH", "BUS-ACK"):
        assert found[rule, "board"].outcome == "pass", rule
    for rule in ("BUS-RATE", "BUS-FRAMING", "BUS-GAP", "BUS-MODE-IN", "BUS-SUM-IN", "BUS-LENGTH", "BUS-ANSWER", "BUS-MUTE"):
        assert found[rule, "changer"].outcome == "pass", rule
    assert found["BUS-SETTLE", "board"].outcome == "unseen"


def test_the_same_without_names_breaks_nothing():
    assert started().polls(3).broken(blind=True) == []


@pytest.mark.parametrize(
    ("word", "breaks"),
    [(81_684, False), (81_600, True), (84_183, False), (84_300, True), (85_000, True)],  # 82,500 / 1.01, / 0.98
)
def test_rate(word, breaks):
    """9600 +1 % -2 %: a word of 11 bits takes 81,683 to 84,184 ticks."""
    script = started().polls(2).out("10B 00B", word=word).answer("100")
    assert ("BUS-RATE board" in script.broken()) == breaks


def test_rate_needs_edges():
    v = started(Script(edges=False)).judge()["BUS-RATE", "board"]
    assert (v.outcome, v.why) == ("unseen", "the edges of the bits are not measured here")


def test_framing():
    script = started().out("10B 800B").answer("100")
    assert "BUS-FRAMING board" in script.broken()
    assert "BUS-SUM-OUT board" not in script.broken()


@pytest.mark.parametrize(("gap", "breaks"), [(72_000, False), (72_001, True)])
def test_gap_of_either_side(gap, breaks):
    out = started().out("10B 00B", gaps=(0, gap)).answer("100")
    assert ("BUS-GAP board" in out.broken()) == breaks
    back = started().out("10B 00B").answer("052 007 159", gaps=(0, gap, 0)).ack()
    assert ("BUS-GAP changer" in back.broken()) == breaks


def test_gap_is_unseen_where_words_come_in_lumps():
    assert started(Script(chunks=True)).judge()["BUS-GAP", "board"].outcome == "unseen"


def test_a_block_torn_by_silence_is_a_gap_and_no_lost_mode_bit():
    script = started().out("10B 00B").answer("052 007", after=1).answer("159", after=8).wait(60)
    broken = script.broken()
    assert "BUS-GAP changer" in broken
    assert "BUS-MODE-IN changer" not in broken and "BUS-MUTE changer" not in broken


def test_mode_bit_missing_on_the_address_word():
    assert "BUS-MODE-OUT board" in started().out("00B 00B").wait(60).broken()


def test_mode_bit_set_on_a_data_word():
    assert "BUS-MODE-OUT board" in started().out("10C 0FF 1FF 000 000 00A").answer("100").broken()


def test_mode_bit_on_an_ack_is_no_ack_and_no_second_failure():
    broken = started().out("10B 00B").answer("052 007 159").say("board", "100").wait(60).broken()
    assert "BUS-MODE-OUT board" in broken and "BUS-ACK board" not in broken


@pytest.mark.parametrize("words", ["052 007 059", "052 107 159"])
def test_mode_bit_of_a_device(words):
    assert "BUS-MODE-IN changer" in started().out("10B 00B").answer(words).wait(20).broken()


def test_checksums():
    assert "BUS-SUM-OUT board" in started().out("10B 00C").wait(20).broken()  # 0B -> 0B
    broken = started().out("10B 00B").answer("052 007 158").wait(60).broken()  # 52 + 07 = 59
    assert "BUS-SUM-IN changer" in broken
    assert "BUS-ACK board" not in broken  # to a corrupt block the controller may answer nothing


def test_length():
    # DIAGNOSTICS 0F FF may have any length: 0F + FF = 10E, zeros add nothing, so the sum is 0E.
    def block(words):
        return "10F 0FF " + "000 " * (words - 3) + "00E"

    assert "BUS-LENGTH board" not in started().out(block(36)).answer("100", after=3).broken()
    assert "BUS-LENGTH board" in started().out(block(37)).answer("100", after=3).broken()


@pytest.mark.parametrize(("plus", "breaks"), [(0, False), (1, True)])
def test_answer_time(plus, breaks):
    script = started().out("10B 00B").answer("100", after=5.0, plus=plus)
    assert ("BUS-ANSWER changer" in script.broken()) == breaks
    assert script.judge()["BUS-ANSWER", "changer"].limit.high == 360_000


def test_answer_time_in_doubt_is_unsure():
    script = started(Script(uncertainty=7_200)).out("10B 00B").answer("100", after=5.0, plus=7_200)
    assert script.judge()["BUS-ANSWER", "changer"].outcome == "unsure"


@pytest.mark.parametrize(("plus", "breaks"), [(0, False), (1, True)])
def test_ack_time(plus, breaks):
    script = started().out("10B 00B").answer("052 007 159").ack(after=5.0, plus=plus)
    assert ("BUS-ACK board" in script.broken()) == breaks


@pytest.mark.parametrize("reply", ["000", "0FF"])
def test_ack_and_nak_are_replies(reply):
    assert "BUS-ACK board" not in started().out("10B 00B").answer("052 007 159").say("board", reply).broken()


def test_no_reply_at_all():
    script = started().out("10B 00B").answer("052 007 159")
    assert "BUS-ACK board" in script.broken(end=20)
    assert "BUS-ACK board" not in script.broken(end=4)  # the end came before the limit
    assert script.judge(end=20)["BUS-ACK", "board"].broken == 1


def test_next_command_in_place_of_the_reply():
    script = started().out("10B 00B").answer("052 007 159").out("10B 00B", after=2)
    assert script.judge()["BUS-ACK", "board"].broken == 1


def test_a_block_that_came_late_need_not_be_acknowledged():
    assert "BUS-ACK board" not in started().out("10B 00B").answer("052 007 159", after=6).wait(60).broken()


def test_answer_to_anothers_address():
    script = started().polls(2).out("133 033").answer("100", seat="changer")
    assert "BUS-MUTE changer" in script.broken()


def test_words_that_nobody_asked_for():
    assert "BUS-MUTE changer" in started().polls(1).wait(30).answer("052 007 159").broken()
    assert "BUS-MUTE changer" in started().polls(1).wait(30).answer("052 007 159").broken(blind=True)


def test_who_was_asked_before_a_break_may_begin_to_answer_into_it():
    """The break begins 2 ms after the POLL; the answer 4.5 ms after it, and 5.5 ms after the break's start."""
    for after_poll, accused in ((4.5, False), (7.5, True)):
        script = started().polls(1).out("10B 00B")
        asked = script.at
        script.hold(110, after=2).answer("100", start=asked + round(after_poll * 72_000))
        assert ("BUS-MUTE changer" in script.broken()) == accused


def test_who_counts_words_may_answer_before_a_command_with_too_many_is_over():
    """VEND REQUEST has seven words; the eighth is being said when the device says NAK."""
    poll = {"poll": "112 012", "seat": "cashless1"}
    long = Script().polls(2, **poll).out("113 000 000 064 000 001 000 078")
    long.answer("1FF", start=long.at - 70_000, seat="cashless1").wait(20).polls(1, **poll)
    assert not [one for one in long.broken() if one.endswith("cashless1")]
    right = Script().polls(2, **poll).out("113 000 000 064 000 001 078")
    right.answer("1FF", start=right.at - 70_000, seat="cashless1").wait(20).polls(1, **poll)
    assert {"BUS-MUTE cashless1", "BUS-OVERLAP cashless1"} <= set(right.broken())


def test_a_break_tears_an_answer_that_comes_word_by_word():
    """Whoever talks when a break begins may finish: as one burst, or as words from a port, it is nobody's fault."""
    words = ["052", "007", "053", "008", "1B4"]  # 52+07+53+08 = B4
    script = started().polls(1).out("10B 00B")
    asked = script.at
    first = asked + 72_000
    for i, word in enumerate(words):
        script.answer(word, start=first + i * 82_500)
    script.hold(110, after=0)
    script.told[-1] = script.told[-1]._replace(start=first + 82_500 + 30_000)  # in the middle of the second word
    assert not [one for one in script.broken() if one.endswith("changer")]


def test_nobody_is_mute_after_a_command_that_may_have_reached_another():
    script = started().out("810B 00B").answer("100", seat="changer")
    assert "BUS-MUTE changer" not in script.broken()


def _poll_meets_answer(answer_after, poll_after):
    """POLL to the changer, its ACK and the next POLL (validator) at those ms after the first."""
    s = started().out("10B 00B")
    end = s.at
    s.answer("100", start=end + round(answer_after * 72_000))
    s.out("133 033", start=end + round(poll_after * 72_000))
    return s.wait(30)


def test_a_late_talker_owns_the_collision():
    for answer_after, poll_after in ((5.5, 6.0), (6.0, 5.5)):  # whoever began
        broken = _poll_meets_answer(answer_after, poll_after).broken()
        assert "BUS-OVERLAP changer" in broken and "BUS-OVERLAP board" not in broken


def test_who_interrupts_a_punctual_talker_is_at_fault():
    broken = _poll_meets_answer(4.9, 5.5).broken()
    assert "BUS-OVERLAP board" in broken and "BUS-OVERLAP changer" not in broken


def test_touching_is_not_talking_at_once():
    s = started().out("10B 00B").answer("100").out("10B 00B", after=0).answer("100")
    assert [b for b in s.broken() if "OVERLAP" in b] == []


@pytest.mark.parametrize(("every", "breaks"), [(25, False), (24.9, True), (200, False), (200.1, True)])
def test_poll_interval(every, breaks):
    s = started().polls(1)
    gap = every - 4 * WORD / 72_000  # POLL of two words, 1 ms, ACK: start to start = gap + 3 words + 1 ms
    s.polls(1, every=gap + WORD / 72_000 - 1)
    s.out("112 012", after=1)
    assert ("BUS-POLL-RATE board" in s.broken()) == breaks


def test_poll_interval_only_warns_and_a_lost_answer_may_be_asked_again_at_once():
    assert started().polls(2, every=300).judge()["BUS-POLL-RATE", "board"].outcome == "warn"
    s = started().polls(2).out("10B 00B").out("10B 00B", after=6).answer("100")
    assert "BUS-POLL-RATE board" not in s.broken()


def test_an_absent_device_needs_no_polls():
    s = Script().out("133 033").out("133 033", after=900)
    assert "BUS-POLL-RATE board" not in s.broken()


@pytest.mark.parametrize(("ms", "plus", "breaks"), [(100, 0, False), (100, -1, True), (150, 0, False)])
def test_break_length(ms, plus, breaks):
    s = started().hold(ms, plus=plus).out("10B 00B", after=250)
    assert ("BUS-BREAK board" in s.broken()) == breaks


@pytest.mark.parametrize(("plus", "breaks"), [(0, False), (-1, True)])
def test_settle(plus, breaks):
    s = started().hold(120).out("10B 00B", after=200, plus=plus)
    assert ("BUS-SETTLE board" in s.broken()) == breaks


def test_a_line_held_for_two_words_is_bad_framing_and_no_break():
    s = started().hold(2).out("10B 00B", after=50).answer("100")
    broken = s.broken()
    assert "BUS-FRAMING board" in broken
    assert not any("BUS-BREAK" in b or "BUS-SETTLE" in b for b in broken)
