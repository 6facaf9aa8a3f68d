"""The board's plan: every rule on a board is put to the test, and the stage provokes what it says.

Words by hand from MDB/ICP 4.3 §2 (checksum: low eight bits of the sum; mode bit 0x100 on the last word of a
device); frames with the crccheck library, RFC 1662 appendix C.
"""

import random

import pytest
from crccheck.crc import CrcX25

from benchsim.bench import Bench
from benchsim.checks import board_stage as stage_of
from benchsim.checks.board_asker import KitAsker, gap_in_the_middle
from benchsim.checks.board_kit_frames import with_every_byte_escaped
from benchsim.checks.board_plan import CASES, PLAN, VARIANTS
from benchsim.checks.board_stage import CANNOT_SEE, BoardStage
from benchsim.checks.runner import play_virtual
from benchsim.checks.stage import Case, NotReached
from benchsim.clock import run
from benchsim.events import TICKS_PER_MS, Burst
from benchsim.judge import all_rules
from benchsim.links.kit_frames import one_bit_wrong
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()
COIN = (0x052, 0x007, 0x159)  # type 2 to its tube, 7 there; 52 + 07 = 59
ACK = (0x100,)

# Rule on the board -> a case in which the good board passes it.
TESTED_IN = {
    "quiet-bus": (
        "BUS-RATE", "BUS-FRAMING", "BUS-GAP", "BUS-MODE-OUT", "BUS-SUM-OUT", "BUS-LENGTH", "BUS-ACK", "BUS-OVERLAP",
        "BUS-POLL-RATE", "BUS-BREAK", "BUS-SETTLE", "BUS-UNDERSTOOD", "CHG-START", "BIL-START", "CSH-START",
        "KIT-PRICE-WHOLE", "KIT-EVENTS-KEPT", "SYS-PRESENT",
    ),
    "silent-long-changer": ("BUS-PATIENCE",),
    "sale-bill": ("CHG-PAYOUT", "CHG-RETURN", "BIL-ESCROW-ONCE", "BIL-CREDIT", "SYS-MONEY", "SYS-PAID-OR-DELIVERED"),
    "stacker-fills-up": ("BIL-FULL",),
    "sale-card": ("CSH-STATE", "CSH-FUNDS", "CSH-OUTCOME", "CSH-CLOSE", "CSH-MONEY-WIDTH"),
    "card-pulled-idle": ("CSH-CANCEL",),
    "card-out-of-sequence": ("CSH-ORDER",),
    "kit-vend-repeated": ("KIT-FRAME", "KIT-GAP", "KIT-ANSWER", "KIT-QUIET", "KIT-ONCE", "KIT-SHAPE", "KIT-STATUS",
                          "SYS-ONE-COIL"),
    "kit-corrupt": ("KIT-BAD-INERT",),
    "kit-silence": ("KIT-WATCHDOG",),
    "door-in-vend": ("SYS-DOOR",),
    "audit-after-sales": ("AUD-HANDSHAKE", "AUD-CHECK", "AUD-ALTERNATE", "AUD-BLOCK", "AUD-TIMING", "AUD-SEGMENTS",
                          "AUD-TEXT-CHECK", "AUD-TOTALS", "AUD-SOLD"),
    "audit-nak": ("AUD-RETRY",),
    "food-too-warm": ("SYS-COLD",),
    "host-back": ("SYS-RECOVER",),
}  # fmt: skip
# Rules on a board that no case can put to the test, and why.
CANNOT: dict[str, str] = dict.fromkeys(
    ("SYS-SURVEY", "SYS-PRICES", "SYS-SETPOINT", "SYS-HANDOVER"), "a commissioning does (test_handover)"
)


def test_every_rule_on_the_board_has_its_case_or_a_reason():
    judged = {one.id for one in all_rules() if {"board", "controller", "subject"} & set(one.judged)}
    assert judged == {rule for rules in TESTED_IN.values() for rule in rules} | set(CANNOT)
    assert set(CANNOT_SEE) <= judged


@pytest.mark.parametrize("name", TESTED_IN)
def test_the_good_board_passes_where_the_plan_says(name):
    result = play_virtual(Settings(), BOOK, PLAN, CASES[name], 7)
    passed = {v.rule for v in result.verdicts if v.outcome == "pass"}
    assert set(TESTED_IN[name]) - passed == set()


def test_every_rule_that_judges_a_board_has_a_wrong_board():
    caught = {variant.rule for variant in VARIANTS if variant.rule}
    rules = {rule for rules in TESTED_IN.values() for rule in rules}
    # No seat can do these wrong on purpose: its words are made by the line, and it is there.
    assert rules - caught == {"BUS-FRAMING", "BUS-LENGTH", "SYS-PRESENT"}
    assert len([v for v in VARIANTS if v.rule]) >= 25
    assert len({v.make for v in VARIANTS if not v.rule}) >= 6


def test_every_variant_plays_a_case_of_the_plan_and_says_what_it_does():
    for variant in VARIANTS:
        assert variant.case in CASES
        assert variant.make.__doc__


# ---- spoilt words


@pytest.mark.parametrize(
    ("change", "coin", "ack"),
    [
        (stage_of.lost, None, None),
        (stage_of.corrupt, (0x042, 0x007, 0x159), (0x110,)),
        (stage_of.no_mode, (0x052, 0x007, 0x059), (0x000,)),
        (stage_of.early_mode, (0x152, 0x107, 0x159), (0x100,)),
        (stage_of.cut_short, (0x052,), None),
        (stage_of.one_too_many, (0x052, 0x007, 0x01A, 0x173), (0x01A, 0x11A)),
        (stage_of.as_it_is, COIN, ACK),
        (stage_of.bare_nak, (0x1FF,), (0x1FF,)),
    ],
)
def test_spoilt_words(change, coin, ack):
    assert change(COIN) == coin
    assert change(ACK) == ack


# ---- on the bus


def played(play, **more):
    """Everything that happened in a case made here, and its notes."""
    result = play_virtual(Settings(), BOOK, PLAN, Case("made", "made", (), play, **more), 1)
    return [e for e in result.events if type(e) is Burst and e.link == "bus"], result


def answers(events, seat, command):
    """(command, the device's first answer to it) wherever a command is followed by words of that device."""
    pairs = zip(events, events[1:], strict=False)
    return [(a, b) for a, b in pairs if a.words[:1] == (command,) and b.sender == seat]


@pytest.mark.parametrize("ms", [4.9, 5.2])
def test_a_delayed_answer_begins_at_its_time(ms):
    async def play(s):
        await s.enabled("changer")
        s.spoil("changer", 2, stage_of.as_it_is, "POLL", delay_ms=ms)
        await s.sleep(1)

    events, _ = played(play)
    gaps = [b.start - a.end for a, b in answers(events, "changer", 0x10B)]
    assert gaps.count(round(ms * TICKS_PER_MS)) == 2


def test_only_so_many_answers_of_the_named_kind_are_spoilt():
    async def play(s):
        await s.enabled("changer")
        s.spoil("changer", 2, stage_of.bare_nak, "POLL")
        s.spoil("validator", 1, stage_of.bare_nak, "STACKER")  # nobody asks for that within the next second
        await s.sleep(1)

    events, _ = played(play)
    assert sum(b.words == (0x1FF,) for b in events) == 2


def test_what_a_device_is_made_to_tell_comes_once_and_in_order():
    async def play(s):
        await s.enabled("changer")
        s.tell("changer", b"\x21", b"\x05\x03")
        await s.sleep(1)

    events, _ = played(play)
    said = [b.words for b in events if b.sender == "changer"]
    assert said.count((0x021, 0x121)) == 1
    assert said.index((0x021, 0x121)) < said.index((0x005, 0x003, 0x108))


def test_two_talk_at_once():
    async def play(s):
        await s.enabled()
        s.talk_over("changer", "validator")
        await s.sleep(0.5)

    events, _ = played(play)
    spoilt = [b.sender for b in events if any(word & 0x8000 for word in b.words)]
    assert sorted(spoilt) == ["changer", "validator"]


def test_a_cut_harness_lets_nothing_of_the_devices_through():
    marks = []

    async def play(s):
        await s.enabled("changer")
        marks.append(s.clock.now())
        await s.cut_harness(0.8)
        marks.append(s.clock.now())
        await s.sleep(0.5)

    events, _ = played(play)
    start, end = marks
    assert not [b for b in events if not b.out and start < b.start < end]
    assert [b for b in events if b.out and start < b.start < end]
    assert [b for b in events if not b.out and b.start > end]


# ---- who is not there


def test_a_bench_without_the_device_says_so():
    settings = Settings(seats={"validator": {"fitted": False}})
    result = play_virtual(settings, BOOK, PLAN, CASES["sale-bill"], 1)
    assert result.notes == ["not put to the test: no validator stands on this bench"]


def test_at_a_real_board_a_hand_is_asked_for_or_missed():
    asked = []

    async def main(clock):
        bench = Bench(Settings(), BOOK, clock, 1, "made", real=frozenset({"board"}))
        with pytest.raises(NotReached, match="a hand at the board: Open the door"):
            await BoardStage(bench).door(True)
        stage = BoardStage(bench, asked.append)
        await stage.power(False)
        assert stage.reasons == CANNOT_SEE
        return clock.now()

    assert run(main, virtual=True) == 10 * 72_000_000  # the time that a person gets
    assert asked == ["Switch the board off"]


# ---- the host's place by hand


def wire_of(body: bytes) -> bytes:
    """Flag, stuffed body and check, flag."""
    inner = body + CrcX25.calc(body).to_bytes(2, "little")
    return b"\x7e" + inner.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e") + b"\x7e"


class Wire:
    """A kit line on which a board made of paper answers: `answers` maps a request's body to answers."""

    slack = 0

    def __init__(self, clock, answers):
        self.clock, self.answers, self.said = clock, answers, []

    def attach(self, seat, out, hear):
        assert (seat, out) == ("host", True)
        self.hear = hear

    def say(self, seat, words, at, gaps=()):
        self.said.append(bytes(words))
        end = at + len(words) * 6_250 + sum(gaps)
        body = next((b for b in self.answers if wire_of(b) == bytes(words)), None)
        for i, answer in enumerate(self.answers.get(body, ())):
            start = end + (2 + 10 * i) * TICKS_PER_MS
            wire = tuple(wire_of(answer))
            burst = Burst(start, start + len(wire) * 6_250, "kit", False, "board", wire)
            self.clock.call_at(burst.end, self.hear, burst)
        return Burst(at, end, "kit", True, "host", words, gaps)

    def under_way(self, out):
        return None


def asked(answers, play):
    """Play with an asker on such a wire."""

    async def main(clock):
        wire = Wire(clock, answers)
        kit = KitAsker(BOOK.kit, clock, wire)
        return await play(kit), wire, kit, clock.now()

    return run(main, virtual=True)


def test_reset_with_seq_0_is_the_worked_frame():
    async def play(kit):
        kit.seq = 255
        return await kit.ask("RESET")

    answer, wire, _, now = asked({b"\x01\x00": [b"\x81\x00\x00\x01\x00"]}, play)
    assert wire.said == [bytes.fromhex("7E 01 00 9F 16 7E")]
    assert (answer.name, answer.status, answer.fields) == ("RESET", 0, {"version": 1, "cause": 0})
    assert now < 10 * TICKS_PER_MS


def test_no_answer_is_waited_for_60_ms():
    async def play(kit):
        return await kit.ask("POLL")

    answer, wire, _, now = asked({}, play)
    assert answer is None
    assert 60 * TICKS_PER_MS <= now <= 64 * TICKS_PER_MS
    assert len(wire.said) == 1


def test_an_answer_to_something_else_is_none():
    async def play(kit):
        return await kit.ask("POLL")

    answer, *_ = asked({b"\x03\x01": [b"\x83\x02\x00" + bytes(6), b"\x84\x01\x00"]}, play)
    assert answer is None


def test_events_are_told_once_though_they_are_offered_again():
    event = b"\x05\x04\x01\x01"  # number 5: DOOR open
    poll = bytes((0, 3)) + bytes(4) + b"\x01"

    async def play(kit):
        await kit.ask("POLL")
        await kit.repeat()
        await kit.ask("POLL")
        return kit.names()

    answers = {b"\x03\x01": [b"\x83\x01" + poll + event], b"\x03\x02": [b"\x83\x02" + poll + event]}
    names, wire, kit, _ = asked(answers, play)
    assert names == ["DOOR"]
    assert (kit.state, kit.credit) == (3, 0)
    assert wire.said[0] == wire.said[1] != wire.said[2]


def test_one_flipped_bit_breaks_the_check_and_nothing_else():
    wire = wire_of(b"\x0f\x10")
    for at in range(1, len(wire) - 1):
        bad = one_bit_wrong(BOOK.kit, wire, at)
        assert [i for i, (a, b) in enumerate(zip(wire, bad, strict=True)) if a != b] == [at]
        assert bin(wire[at] ^ bad[at]).count("1") == 1
        assert not {0x7E, 0x7D} & set(bad[1:-1])


def test_needless_escapes_can_be_undone():
    for body in (b"\x0f\x10", b"\x03\x7e", b"\x03\x5e\x5d"):
        inner = with_every_byte_escaped(wire_of(body))[1:-1]
        undone, lifted = bytearray(), False
        for byte in inner:
            assert byte != 0x7E
            if byte == 0x7D and not lifted:
                lifted = True
                continue
            undone.append(byte ^ 0x20 if lifted else byte)
            lifted = False
        assert bytes(undone) == body + CrcX25.calc(body).to_bytes(2, "little")


def test_a_pause_in_the_middle():
    assert gap_in_the_middle(bytes(6), 25) == (0, 0, 0, 25 * 72_000, 0, 0)


def test_a_case_plays_alike_whatever_was_played_before():
    first = play_virtual(Settings(), BOOK, PLAN, CASES["kit-torn"], 3).events
    random.seed(99)
    play_virtual(Settings(), BOOK, PLAN, CASES["two-talk"], 3)
    assert play_virtual(Settings(), BOOK, PLAN, CASES["kit-torn"], 3).events == first
