"""Blocks from words, however they are cut up; master and device on one line."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.clock import run
from benchsim.events import BREAK, FRAMING, MODE, TICKS_PER_MS, Burst
from benchsim.lines import Line, Trace
from benchsim.links.bus import BlockReader, BusDevice, BusMaster
from benchsim.schema import load_book

BOOK = load_book()
WORD = BOOK.bus.word.ticks
MS = TICKS_PER_MS

# Blocks computed by hand from MDB/ICP 4.3 §2 and §5 to §7.
MASTER = {
    "poll changer": (0x10B, 0x00B),
    "poll reader": (0x112, 0x012),
    "reset validator": (0x130, 0x030),
    "coin type": (0x10C, 0x0FF, 0x0FF, 0x000, 0x000, 0x00A),
    "vend": (0x113, 0x000, 0x000, 0x07D, 0x000, 0x011, 0x0A1),
    "wide vend": (0x113, 0x000, 0x000, 0x000, 0x000, 0x07D, 0x000, 0x011, 0x0A1),
    "payout": (0x10F, 0x002, 0x019, 0x02A),
}
DEVICE = {
    "ack": (0x100,),
    "nak": (0x1FF,),
    "coin": (0x052, 0x007, 0x159),
    "just reset": (0x00B, 0x10B),
    "approved": (0x005, 0x000, 0x07D, 0x182),
}
POLL = MASTER["poll changer"]
ALL = [(name, True, words) for name, words in MASTER.items()] + [(n, False, w) for n, w in DEVICE.items()]


def burst(words, start=0, out=True, gaps=()):
    return Burst(start, start + len(words) * WORD + sum(gaps), "bus", out, "x", tuple(words), tuple(gaps))


def single(whole):
    """A burst word by word."""
    return [
        Burst(start, start + WORD, "bus", whole.out, "x", (word,))
        for word, start in zip(whole.words, whole.word_starts(), strict=True)
    ]


def asked(out):
    """A reader that is at the point where such a block may come, and the time."""
    reader = BlockReader(BOOK)
    if out:
        return reader, 0
    reader.feed(burst(POLL))
    return reader, 10 * MS


def read(reader, *bursts):
    blocks = [block for one in bursts for block in reader.feed(one)]
    return blocks + reader.expire(bursts[-1].end + 20 * MS)


@pytest.mark.parametrize(("name", "out", "words"), ALL)
def test_whole_and_word_by_word(name, out, words):
    reader, at = asked(out)
    whole = burst(words, at, out)
    (block,) = reader.feed(whole)
    assert (block.words, block.broken, block.start, block.end) == (words, (), at, whole.end)
    assert block.kind == ("command" if out else {"ack": "ack", "nak": "nak"}.get(name, "answer"))
    assert block.address == (words[0] & 0xF8 if out else 0x08)
    assert bytes(w & 0xFF for w in words) == block.data
    reader, at = asked(out)
    assert read(reader, *single(whole)) == [block]


@pytest.mark.parametrize(("name", "out", "words"), ALL)
def test_trailing_words_are_a_block_of_their_own(name, out, words):
    reader, at = asked(out)
    blocks = read(reader, burst((*words, 0x033, 0x044), at, out))
    assert blocks[0].words == words and blocks[0].broken == ()
    assert blocks[1].words == (0x033, 0x044) and blocks[1].broken
    assert blocks[1].kind == "stray"


@pytest.mark.parametrize(("name", "out", "words"), [v for v in ALL if len(v[2]) > 1])
def test_long_gap_inside(name, out, words):
    """1.0 ms is the most (MDB/ICP 4.3 §3); 5 ms of silence end a block (common practice)."""
    for gap, broken in ((MS, ()), (MS + 1, ("gap",))):
        reader, at = asked(out)
        (block,) = read(reader, burst(words, at, out, (0, gap) + (0,) * (len(words) - 2)))
        assert (block.words, block.broken, block.worst_gap) == (words, broken, gap)
    reader, at = asked(out)
    blocks = read(reader, burst(words, at, out, (0, 6 * MS) + (0,) * (len(words) - 2)))
    assert blocks[0].words == words[:1] and blocks[0].broken
    if out and len(words) > 2:  # the rest has no address word: it is nobody's command
        assert {b.kind for b in blocks[1:]} == {"stray"}


@pytest.mark.parametrize(("name", "out", "words"), [v for v in ALL if len(v[2]) > 1])
def test_a_flipped_mode_bit_is_named_and_hides_nothing(name, out, words):
    for i in range(len(words)):
        flipped = tuple(w ^ MODE if k == i else w for k, w in enumerate(words))
        if flipped[0] in (0x100, 0x1FF):  # then it is an ACK or NAK, and the rest a stray
            continue
        reader, at = asked(out)
        whole = burst(flipped, at, out)
        (block,) = read(reader, whole)
        assert (block.words, block.broken) == (flipped, ("mode",))
        reader, at = asked(out)
        assert read(reader, *single(whole)) == [block]


@pytest.mark.parametrize(("name", "out", "words"), [v for v in ALL if len(v[2]) > 1])
def test_wrong_checksum(name, out, words):
    reader, at = asked(out)
    wrong = (*words[:-1], words[-1] ^ 0x01)
    (block,) = read(reader, burst(wrong, at, out))
    assert (block.words, block.broken) == (wrong, ("sum",))


def test_replies_and_what_is_none():
    reader = BlockReader(BOOK)
    kinds = []
    for words, out in ((POLL, True), (DEVICE["coin"], False), ((0xAA,), True), (DEVICE["coin"], False),
                       ((0x00,), True), ((0x00,), True), (DEVICE["coin"], False)):  # fmt: skip
        kinds += [b.kind for b in reader.feed(burst(words, len(kinds) * 10 * MS, out))]
    assert kinds == ["command", "answer", "reply", "answer", "reply", "stray", "stray"]


def test_break_and_a_glitch_of_two_words():
    """Longer than two word times is a break, else a framing error (common practice)."""
    reader = BlockReader(BOOK)
    for length, kind, broken in ((2 * WORD, "stray", ("framing",)), (2 * WORD + 1, "break", ())):
        (block,) = reader.feed(Burst(0, length, "bus", True, "x", (BREAK,)))
        assert (block.kind, block.broken) == (kind, broken)


def test_break_cuts_what_is_under_way():
    reader = BlockReader(BOOK)
    reader.feed(burst((0x10C, 0x0FF)))
    cut, broke = reader.feed(Burst(3 * WORD, 200 * WORD, "bus", True, "x", (BREAK,)))
    assert "cut" in cut.broken and broke.kind == "break"


def test_unknown_command_ends_by_idle_line_or_by_an_answer():
    reader = BlockReader(BOOK)
    unknown = burst((0x10E, 0x001, 0x00F))  # 0E is no command of a changer; 0E+01 = 0F
    assert reader.feed(unknown) == []
    assert reader.deadline == unknown.end + 2 * MS
    (block,) = reader.expire(reader.deadline)
    assert (block.kind, block.broken) == ("command", ())
    reader.feed(unknown._replace(start=100 * MS, end=100 * MS + 3 * WORD))
    kinds = [b.kind for b in reader.feed(burst((0x100,), 105 * MS, False))]
    assert kinds == ["command", "ack"]


def test_feature_enable_widens_money():
    """A 32-bit VEND whose seventh word happens to be the sum of the six before it is still nine words."""
    wide = (
        0x113,
        0x00,
        0x00,
        0x00,
        0x01,
        0x00,
        0x14,
        0x05,
        0x2D,
    )  # 13+01 = 14, and 13+01+14+05 = 2D, by hand
    features = (0x117, 0x04, 0x00, 0x00, 0x00, 0x02, 0x1D)
    reader = BlockReader(BOOK)
    reader.feed(burst(features))
    reader.feed(burst((0x100,), 20 * MS, False))
    (block,) = read(reader, *single(burst(wide, 40 * MS)))
    assert block.words == wide and block.broken == ()


def test_framing_is_told():
    reader = BlockReader(BOOK)
    (block,) = read(reader, burst((0x10B, 0x00B | FRAMING)))
    assert block.broken == ("framing",)


# ---- any words, any cut

WORDS = st.one_of(
    st.sampled_from([w for _, _, words in ALL for w in words] + [0x000, 0x0AA, 0x0FF]),
    st.integers(0, 0x1FF),
    st.integers(0, 0x1FF).map(lambda w: w | FRAMING),
)
GAP = st.sampled_from([0, 0, 0, 1, MS // 2, MS, MS + 1, 2 * MS, 3 * MS, 5 * MS, 7 * MS])
TALK = st.lists(
    st.tuples(
        st.booleans(),
        st.one_of(st.sampled_from([words for _, _, words in ALL]), st.lists(WORDS, min_size=1, max_size=40)),
        GAP,
        st.sampled_from([0, 1, MS, 2 * MS + 1, 5 * MS, 6 * MS]),
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=300, deadline=None)
@given(TALK)
def test_any_split_gives_the_same_blocks(talk):
    bursts, at = [], 0
    for out, words, inner, before in talk:
        gaps = (0, *[inner if i % 3 == 1 else 0 for i in range(len(words) - 1)])
        at += before
        bursts.append(burst(words, at, out, gaps))
        at = bursts[-1].end
    one, two = BlockReader(BOOK), BlockReader(BOOK)
    whole = [b for each in bursts for b in one.feed(each)] + one.close()
    pieces = [b for each in bursts for word in single(each) for b in two.feed(word)] + two.close()
    assert whole == pieces
    assert sorted(w for b in whole for w in b.words) == sorted(w for each in bursts for w in each.words)
    assert all(b.kind == "command" or not b.out or b.kind in ("reply", "stray") for b in whole)


# ---- both sides


class Desk:
    """A changer at the end of a line: what it answers and what it was told."""

    def __init__(self, clock, answers):
        self.trace = Trace(clock)
        self.line = Line("bus", WORD, clock, self.trace)
        self.blocks, self.reader = [], BlockReader(BOOK)
        self.trace.listeners.append(self)
        self.answers, self.asked, self.acks, self.resets = list(answers), [], [], 0
        self.device = BusDevice(clock, self.line, BOOK, BOOK.devices["changer"], "changer", random.Random(1),
                                self.answer, self.acks.append, self.reset)  # fmt: skip
        self.device.start()
        self.master = BusMaster(clock, self.line, BOOK)
        self.outcomes = []

    def answer(self, message):
        self.asked.append(message.name)
        return self.answers.pop(0)

    def reset(self):
        self.resets += 1

    def burst(self, one):
        self.blocks += self.reader.feed(one)

    def happening(self, one):
        raise AssertionError(one)


def play(answers, *steps):
    """Each step: a command's bytes, or a callable on the desk; 300 ms between."""

    async def main(clock):
        desk = Desk(clock, answers)
        for step in steps:
            if callable(step):
                step(desk)
            else:
                desk.master.ask(step, desk.outcomes.append)
            await clock.sleep(0.3)
        return desk

    return run(main)


def spoil(count, change):
    """The device's next `count` bursts arrive changed."""

    def step(desk):
        left = [count]

        def hurt(one):
            if one.out or one.is_break or not left[0]:
                return one
            left[0] -= 1
            return change(one)

        desk.line.hurts.append(hurt)

    return step


def bad_sum(one):
    return one._replace(words=(*one.words[:-1], one.words[-1] ^ 0x04))


def test_data_is_acknowledged():
    desk = play([bytes.fromhex("5207"), b""], b"\x0b", b"\x0b")
    assert [(o.kind, o.data) for o in desk.outcomes] == [("data", bytes.fromhex("5207")), ("ack", b"")]
    assert desk.acks == [True]
    assert [b.kind for b in desk.blocks] == ["command", "answer", "reply", "command", "ack"]
    assert all(b.broken == () for b in desk.blocks)


def test_bad_data_is_asked_for_again():
    desk = play([bytes.fromhex("5207")], spoil(1, bad_sum), b"\x0b")
    assert desk.outcomes == [("data", bytes.fromhex("5207"))]
    assert desk.asked == ["POLL"] and desk.acks == [True]
    assert [b.data for b in desk.blocks if b.kind == "reply"] == [b"\xaa", b"\x00"]


def test_after_two_repeats_the_master_gives_up_and_the_device_holds_its_data():
    desk = play([bytes.fromhex("5207"), b""], spoil(3, bad_sum), b"\x0b", b"\x0b")
    assert [o.kind for o in desk.outcomes] == ["broken", "ack"]
    assert [b.data for b in desk.blocks if b.kind == "reply"] == [b"\xaa", b"\xaa"]
    assert desk.acks == [False]


def test_a_lost_answer_is_silence_and_not_taken():
    desk = play([bytes.fromhex("5207"), b""], spoil(1, lambda one: None), b"\x0b", b"\x0b")
    assert [o.kind for o in desk.outcomes] == ["silence", "ack"]
    assert desk.acks == [False]


def test_silence_of_a_device_that_is_off_or_not_addressed():
    desk = play([], b"\x33", lambda d: d.device.stop(), b"\x0b")
    assert [o.kind for o in desk.outcomes] == ["silence", "silence"] and desk.asked == []


def test_bad_command_gets_nak_and_changes_nothing():
    """MDB/ICP 4.3 §2."""

    def say(desk):
        desk.line.say("board", (0x108, 0x009), desk.line.clock.now())

    desk = play([], say)
    assert desk.resets == 0 and desk.asked == []
    assert [b.kind for b in desk.blocks] == ["command", "nak"]


def test_break_resets_and_a_short_one_does_not():
    """At least 100 ms (MDB/ICP 4.3 §2)."""
    desk = play([], lambda d: d.master.hold(99 * MS), lambda d: d.master.hold(100 * MS))
    assert desk.resets == 1


def test_reset_command_resets():
    desk = play([b""], b"\x08")
    assert desk.resets == 1 and desk.outcomes == [("ack", b"")]


def test_a_stopped_master_is_silent():
    def ask_and_stop(desk):
        desk.master.ask(b"\x0b", desk.outcomes.append)
        desk.master.stop()

    desk = play([], ask_and_stop)
    assert desk.outcomes == [] and desk.blocks == []


def takes_over(desk, does):
    """A trick that notes what it is asked and says what `does(name, words)` gives; None leaves the answer alone."""
    asked = []

    def trick(name, words, at):
        asked.append((name, words))
        say = does(name, words)
        return None if say is None else lambda: [desk.line.say(desk.device.seat, one, at) for one in say]

    desk.device.tricks.append(trick)
    return asked


def test_a_trick_is_told_command_and_words_and_may_leave_them():
    asked = []
    desk = play([bytes.fromhex("5207"), b""], lambda d: asked.append(takes_over(d, lambda *_: None)), b"\x0b", b"\x09")
    assert asked == [[("POLL", (0x52, 0x07, 0x159)), ("SETUP", (0x100,))]]
    assert [o.kind for o in desk.outcomes] == ["data", "ack"]


def test_a_trick_says_the_answer_itself_or_nothing():
    def refuses_poll(name, words):
        return [(0x1FF,)] if name == "POLL" else []

    desk = play([b"", b""], lambda d: takes_over(d, refuses_poll), b"\x0b", b"\x09")
    assert [o.kind for o in desk.outcomes] == ["nak", "silence"]


def test_the_first_trick_that_wants_the_answer_has_it():
    asked = []

    def two(desk):
        asked.append(takes_over(desk, lambda *_: [(0x1FF,)]))
        asked.append(takes_over(desk, lambda *_: [(0x100,)]))

    desk = play([b""], two, b"\x0b")
    assert [o.kind for o in desk.outcomes] == ["nak"] and [len(one) for one in asked] == [1, 0]


def test_a_trick_sees_repetitions_and_refusals():
    asked = []
    desk = play([bytes.fromhex("5207")], lambda d: asked.append(takes_over(d, lambda *_: None)), spoil(1, bad_sum),
                b"\x0b", lambda d: d.line.say("board", (0x108, 0x009), d.line.clock.now()))  # fmt: skip
    coin = (0x52, 0x07, 0x159)
    assert asked == [[("POLL", coin), ("RET", coin), ("", (0x1FF,))]]
    assert desk.outcomes[0].kind == "data"


def test_answers_start_within_the_response_time():
    """5.0 ms both ways (MDB/ICP 4.3 §3)."""
    desk = play([bytes.fromhex("5207")] * 20, *[b"\x0b"] * 20)
    for before, after in zip(desk.blocks, desk.blocks[1:], strict=False):
        if after.kind in ("answer", "reply"):
            assert 0 < after.start - before.end <= 5 * MS
    assert len(desk.blocks) == 60


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.lists(WORDS, min_size=1, max_size=12)), max_size=10))
def test_any_words_on_the_line_break_nobody(talk):
    """Whatever comes, both sides go on: the next POLL is answered."""

    async def main(clock):
        desk = Desk(clock, [b""] * 100)
        desk.line.attach("noise in", False, lambda one: None)
        desk.line.attach("noise out", True, lambda one: None)
        for out, words in talk:
            desk.line.say("noise out" if out else "noise in", tuple(words), clock.now() + 2 * MS)
            desk.master.ask(b"\x0b", lambda outcome: None)
            await clock.sleep(0.4)
        desk.master.ask(b"\x0b", desk.outcomes.append)
        await clock.sleep(0.4)
        return desk

    assert run(main).outcomes == [("ack", b"")]
