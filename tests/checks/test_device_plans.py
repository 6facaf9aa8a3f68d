"""The plans for payment devices: what they put to the test, and what their master says, word by word.

Words and checksums are written by hand (MDB/ICP 4.3 §2, §5 to §7).
"""

import random

import pytest

from benchsim.bench import DEVICES, DeviceBench
from benchsim.checks import plans
from benchsim.checks.device_master import cut_off, long, more_mode, no_mode, short, wrong_sum
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.runner import play_virtual
from benchsim.checks.selftest import ACCUSED
from benchsim.checks.stage import NotReached
from benchsim.clock import run
from benchsim.events import Burst
from benchsim.judge import Judge, all_rules
from benchsim.judge.registry import ROLES
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()
SEATS = ("changer", "validator", "cashless1", "cashless2", "gateway", "satellite1")
MS = 72_000  # ticks
NOT_PLAYED = {  # messages of a device's table that no case says or hears, and why
    "FILE": "file transport is not modelled",
    "DIAGNOSTICS": "defined by each maker",
    "RECYCLER": "read at the link layer only",
    "REPORT PRODUCT": "read at the link layer only",
    "HOME ITEM": "read at the link layer only",
    "ITEM PRICE": "read at the link layer only",
    "ERROR": "the simulated satellite has none",  # of the satellite; the gateway's is played
}
# What our master does on purpose: the rules that it breaks, and in which cases.
ON_PURPOSE = {
    "BUS-SUM-OUT": {"wrong-sums", "wrong-sum-enable", "wrong-sum-escrow", "wrong-sums-in-session", "wrong-lengths",
                    "gap-in-command", "gap-enable"},
    "BUS-MODE-OUT": {"wrong-mode-bits", "gap-in-command", "gap-enable"},
    "BUS-GAP": {"gap-in-command", "gap-enable"},
    "BUS-UNDERSTOOD": {"wrong-lengths", "unknown-commands", "other-addresses"},
    "BUS-ACK": {"not-taken", "coin-not-taken", "coin-between-commands", "payout-status-lost", "bill-not-taken",
                "bill-between-commands", "answers-not-taken", "approval-not-taken", "told-again"},
    "BUS-POLL-RATE": {"master-silent", "coins-unpolled", "cancelled-too-late", "silent-in-session", "break-while-talking"},
    "CHG-PAYOUT": {"dispense-from-empty", "pay-more-than-there-is"},
    "BIL-ESCROW-ONCE": {"escrow-without-bill", "escrow-twice"},
    "CSH-START": {"disorder-inactive"},
    "CSH-STATE": {f"disorder-{state}" for state in ("inactive", "disabled", "enabled", "session", "vend", "approved")},
    "CSH-OUTCOME": {"disorder-session", "disorder-approved"},
}  # fmt: skip


def spec_of(seat):
    return next(spec for spec in BOOK.devices.values() if seat in spec.seats)


def judges(one, seat):
    """Does a rule judge that device? That of a whole machine handed over is a commissioning's."""
    roles = {role for role, seats in ROLES.items() if seat in seats}
    return one.id != "SYS-HANDOVER" and bool({"device", "subject", seat, *roles} & set(one.judged))


@pytest.fixture(scope="module")
def played():
    """Every case of every device plan with the good seat, heard by a judge who minds all: {seat: {case: …}}."""

    def play(seat, case):
        result = play_virtual(Settings(), BOOK, plans.PLANS[seat], case, 1)
        judge = Judge(result.links, BOOK, case.name)
        told, said = set(), set()
        judge.calls("bus.reply").append(lambda x: told.update(message.name for message in x.messages))
        judge.calls("bus.done").append(lambda x: said.add((x.seat, x.name)))
        for event in result.events:
            (judge.burst if isinstance(event, Burst) else judge.happening)(event)
        judge.close(result.end)
        return result, judge.verdicts(), told, {name for where, name in said if where == seat}

    return {seat: {name: play(seat, case) for name, case in plans.PLANS[seat].cases.items()} for seat in SEATS}


# ---- what the plans put to the test


@pytest.mark.parametrize("seat", SEATS)
def test_every_rule_on_a_device_is_put_to_the_test(played, seat):
    tested = {v.rule for result, *_ in played[seat].values() for v in result.verdicts if v.outcome == "pass"}
    assert [one.id for one in all_rules() if judges(one, seat) and one.id not in tested] == []


@pytest.mark.parametrize("seat", SEATS)
def test_every_message_of_a_device_is_played(played, seat):
    spec = spec_of(seat)
    told = {name for *_, told, _ in played[seat].values() for name in told}
    said = {name for *_, said in played[seat].values() for name in said}
    left = [name for name in spec.activities if name not in told] + [name for name in spec.commands if name not in said]
    assert [name for name in left if not name.startswith(tuple(NOT_PLAYED))] == []


@pytest.mark.parametrize("seat", SEATS)
def test_the_master_itself_breaks_only_what_it_means_to(played, seat):
    broken = {
        (v.rule, name)
        for name, (_, verdicts, *_) in played[seat].items()
        for v in verdicts
        if v.judged == "board" and v.outcome in ACCUSED
    }
    assert {(rule, name) for rule, name in broken if name not in ON_PURPOSE.get(rule, ())} == set()


@pytest.mark.parametrize("seat", SEATS)
def test_every_level_is_started(seat):
    levels = {case.seats[seat]["level"] for name, case in plans.PLANS[seat].cases.items() if name.startswith("start-up")}
    assert levels == set(spec_of(seat).levels)


@pytest.mark.parametrize("seat", SEATS[:3])
def test_every_rule_on_a_device_has_a_wrong_device_that_it_catches(seat):
    caught = {variant.rule for variant in plans.PLANS[seat].variants}
    of_links = {"SYS-PRESENT"}  # a seat that says nothing never gets past the first POLL
    assert {one.id for one in all_rules() if judges(one, seat)} - of_links <= caught


@pytest.mark.parametrize("seat", SEATS)
@pytest.mark.parametrize("turn", [0, 1])
def test_nobody_accuses_an_odd_device(seat, turn):
    """Each case with another odd device, every odd one in many cases."""
    plan = plans.PLANS[seat]
    odd = [variant for variant in plan.variants if not variant.rule and not variant.case]
    for i, case in enumerate(plan.cases.values()):
        variant = odd[(i * 3 + turn) % len(odd)]
        result = play_virtual(Settings(), BOOK, plan, case, turn, {seat: variant.make})
        accused = [(v.rule, v.at) for v in result.verdicts if v.outcome in ACCUSED]
        assert accused == [], f"{variant.make.__name__} in {case.name}"


# ---- the words of the master


def hexed(text):
    return tuple(int(word, 16) for word in text.split())


COIN_TYPE = hexed("10C 0FF 0FF 000 000 00A")  # 0C+FF+FF = 20A


@pytest.mark.parametrize(
    ("how", "words"),
    [
        (wrong_sum, "10C 0FF 0FF 000 000 00B"),
        (no_mode, "00C 0FF 0FF 000 000 00A"),
        (more_mode, "10C 0FF 0FF 000 000 10A"),
        (short, "10C 0FF 0FF 000 00A"),
        (long, "10C 0FF 0FF 000 000 000 00A"),
        (cut_off, "10C 0FF 0FF 000 000"),
    ],
)
def test_words_of_a_spoilt_command(how, words):
    assert how(COIN_TYPE) == hexed(words)


def staged(seat, play, settings=None, real=False, person=None):
    """A case played by a stage. Returns the stage and all bursts. `real`: the stage does not know the device."""
    heard = []

    class Listener:
        def burst(self, burst):
            heard.append(burst)

        def happening(self, happening):
            pass

    async def main(clock):
        own = Settings(seats={seat: settings or {}})
        bench = DeviceBench(own, BOOK, clock, 1, "", seat, real=frozenset((seat,)) if real else frozenset())
        bench.trace.listeners.append(Listener())
        if real:
            line = bench.lines["bus"]
            hidden.append(DEVICES[seat](clock, line, random.Random(1), settings or {}, lambda *_, **__: None, seat))
            hidden[0].start()
        bench.power_on()
        stage = DeviceStage(bench, person)
        await play(stage)
        bench.trace.close()
        return stage

    return run(main, virtual=True), heard


hidden = []  # the device that a stage does not know


def said(heard, start=0):
    """What the master said, as text, breaks and replies too."""
    return ["BREAK" if b.is_break else " ".join(f"{w:03X}" for w in b.words) for b in heard if b.out and b.start >= start]


START_UPS = {  # commands without POLL, break and replies; sums by hand
    # accept: six types used; manual: four tubes. 0C+3F+0F = 5A
    ("changer", 2): ["109 009", "10A 00A", "10C 000 03F 000 00F 05A"],
    ("changer", 3): ["109 009", "10A 00A", "10F 000 00F", "10F 001 000 000 000 003 013", "10C 000 03F 000 00F 05A"],
    # enable and escrow: three types. 34+07+07 = 42
    ("validator", 1): ["131 031", "137 000 037", "136 036", "132 000 000 032", "134 000 007 000 007 042"],
    ("validator", 2): ["131 031", "137 000 037", "137 002 039", "137 001 000 000 000 000 038", "136 036",
                       "132 000 000 032", "134 000 007 000 007 042"],
    # our level is 3; highest price FFFF, lowest 0: 11+01+FF+FF = 210
    ("cashless2", 1): ["161 000 003 000 000 000 064", "161 001 0FF 0FF 000 000 060", "167 000 …", "164 001 065"],
    ("cashless1", 3): ["111 000 003 000 000 000 014", "111 001 0FF 0FF 000 000 010", "117 000 …",
                       "117 004 000 000 000 000 01B", "114 001 015"],
}  # fmt: skip


@pytest.mark.parametrize(("seat", "level"), START_UPS)
def test_words_of_a_start_up(seat, level):
    _, heard = staged(seat, lambda s: s.start_up(), {"level": level})
    poll = {"changer": "10B 00B", "validator": "133 033", "cashless1": "112 012", "cashless2": "162 062"}[seat]
    words = [w for w in said(heard) if w not in ("BREAK", "000", poll)]
    assert [w if len(w) < 100 else w[:7] + " …" for w in words] == START_UPS[seat, level]
    assert said(heard)[:3] == ["BREAK", poll, "000"]


def test_a_break_and_the_rest_after_it():
    async def play(s):
        await s.hold_break()
        await s.once("POLL")

    _, heard = staged("changer", play)
    assert heard[0].is_break
    assert heard[0].end - heard[0].start == 110 * MS
    assert heard[1].start - heard[0].end == 220 * MS


def test_replies_are_said_in_order_and_then_ack():
    async def play(s):
        s.reply_with("RET", "NAK", None, "RET", "RET", "ACK")
        await s.hold_break()
        await s.poll(0.5)

    stage, heard = staged("changer", play)
    first, second, third = ["10B 00B", "0AA", "0FF"], ["10B 00B"], ["10B 00B", "0AA", "0AA", "000"]
    assert said(heard) == ["BREAK", *first, *second, *third, *["10B 00B"] * 3]  # 0.5 s: six POLLs
    assert [message.name for message in stage.heard] == ["JUST RESET"]


def test_polls_are_evenly_spaced_from_start_to_start():
    async def play(s):
        await s.start_up()
        await s.poll(1)
        await s.poll(1, every=0.199)

    _, heard = staged("changer", play)
    polls = [b.start for b in heard if b.out and b.words[0] == 0x10B]
    gaps = [b - a for a, b in zip(polls, polls[1:], strict=False)]
    assert gaps.count(100 * MS) >= 8
    assert gaps.count(199 * MS) >= 3


def test_a_void_command_is_two_bursts_and_a_legal_gap_is_one():
    async def play(s):
        await s.start_up(until="SETUP")
        await s.gapped(0.9, "SETUP")
        await s.gapped(8, "SETUP")

    _, heard = staged("changer", play)
    legal, first, last = [b for b in heard if b.out and b.words[0] in (0x109, 0x009)]
    assert (legal.words, legal.gaps) == ((0x109, 0x009), (0, 64_800))
    assert (first.words, last.words) == ((0x109,), (0x009,))
    assert last.start - first.end == 8 * MS
    answers = [b for b in heard if not b.out and len(b.words) > 10]
    assert len(answers) == 1, "the void one is not answered"


def test_a_late_reply():
    async def play(s):
        s.reply_late(4.8)
        await s.start_up(until="SETUP")

    _, heard = staged("changer", play)
    told = next(b for b in heard if not b.out)
    assert next(b for b in heard if b.out and b.start > told.end).start - told.end == round(4.8 * MS)


# ---- a device that the stage does not know


@pytest.fixture
def unknown():
    hidden.clear()
    yield hidden
    hidden.clear()


def test_a_real_device_needs_somebody_to_act(unknown):
    with pytest.raises(NotReached, match="somebody must act at the device: Insert a coin of 0.05"):
        staged("changer", plans.PLANS["changer"].cases["coin-to-tube"].play, real=True)


def test_a_person_is_asked_and_given_time(unknown):
    asked = []

    def person(words):
        asked.append(words)
        device = unknown[0]
        device.clock.call_at(device.clock.now() + 20_000 * MS, device.insert, 0)

    stage, _ = staged("changer", plans.PLANS["changer"].cases["coin-to-tube"].play, real=True, person=person)
    assert asked == ["Insert a coin of 0.05 (type 0)"]
    assert [m.fields["coin"] for m in stage.heard if m.name == "COIN DEPOSITED"] == [0]


def test_what_only_a_simulated_device_can_do_is_told(unknown):
    with pytest.raises(NotReached, match="only a simulated device can be made to: be tricked"):
        staged("changer", plans.PLANS["changer"].cases["tricked"].play, real=True)


def test_a_case_for_another_level_says_so(unknown):
    case = plans.PLANS["changer"].cases["start-up-level-2"]
    stage, _ = staged("changer", case.play, {"level": 3}, real=True)
    assert stage.notes == ["this device speaks level 3, the case was for level 2"]


def test_a_device_without_a_feature_is_not_put_to_its_case(unknown):
    with pytest.raises(NotReached, match="does not offer payout by value"):
        staged("changer", plans.PLANS["changer"].cases["payout"].play, {"level": 2}, real=True)


def test_a_device_that_is_not_there_ends_the_case():
    async def play(s):
        s.device.stop()
        await s.start_up()

    with pytest.raises(NotReached, match="the device did not tell JUST RESET"):
        staged("validator", play)
