"""A link at rest is only counted: with it and without, the judge finds the same, to the last sample."""

import importlib.util
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.bench import Bench, bench_links
from benchsim.checks.host_stage import HostStage
from benchsim.checks.plans import PLANS
from benchsim.checks.runner import play_virtual
from benchsim.clock import run
from benchsim.events import BREAK, TICKS_PER_MS, TICKS_PER_SECOND, Burst, Happening, LinkInfo
from benchsim.judge import Judge
from benchsim.judge.rounds import LinkRounds, Rounds
from benchsim.judge.stalls import Stalls
from benchsim.schema import load_book
from benchsim.settings import Settings

_spec = importlib.util.spec_from_file_location("kit_script", Path(__file__).with_name("conftest.py"))
kit_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(kit_script)

BOOK, MS = load_book(), TICKS_PER_MS


def found(events, links, rounds: bool, end: int | None = None) -> tuple:
    """All that a judge can say."""
    judge = Judge(links, BOOK, "x", stalls=Stalls(events))
    listener = Rounds(judge) if rounds else judge
    for event in sorted(events, key=lambda event: event[0]):
        (listener.burst if type(event) is Burst else listener.happening)(event)
    listener.close(end if end is not None else max((event[0] for event in events), default=0) + TICKS_PER_SECOND)
    return judge.verdicts(), judge.samples(), judge.frames


@pytest.fixture
def counted(monkeypatch):
    """{link: exchanges that were only counted}"""
    seen = dict.fromkeys(("bus", "kit"), 0)
    count = LinkRounds._count

    def counting(self, told):
        seen[self.link] += len(told)
        count(self, told)

    monkeypatch.setattr(LinkRounds, "_count", counting)
    return seen


def shopping(seconds: int) -> tuple[list, list]:
    """The demo bench with a shopper now and then, and its links."""

    class Keeper:
        burst = happening = staticmethod(lambda event: events.append(event))

    async def live(clock):
        bench = Bench(Settings(), BOOK, clock, seed=1)
        bench.trace.listeners.append(Keeper)
        bench.power_on()
        stage = HostStage(bench)
        await stage.on_sale()
        while clock.now() < seconds * TICKS_PER_SECOND:
            await stage.coins(3, 3)
            stage.tap(0, 0)
            await clock.sleep(9)
        bench.trace.close()
        return bench_links(BOOK, bench.lines)

    events: list = []
    return events, run(live)


def test_a_machine_that_sells_is_judged_alike_and_mostly_counted(counted):
    events, links = shopping(25)
    bursts = [event for event in events if type(event) is Burst]
    assert found(events, links, True) == found(events, links, False)
    exchanges = {link: sum(burst.out for burst in bursts if burst.link == link) for link in counted}
    assert counted["bus"] > exchanges["bus"] / 2
    assert counted["kit"] > 10


@pytest.mark.parametrize("how", ["without what is off the links", "no names", "times in doubt", "a stall"])
def test_other_sources_are_judged_alike(counted, how):
    events, links = shopping(12)
    if how == "without what is off the links":
        events = [event for event in events if type(event) is Burst]
    elif how == "no names":
        events = [event._replace(sender="") if type(event) is Burst else event for event in events]
    elif how == "times in doubt":
        links = [info._replace(uncertainty=MS, edges=False) for info in links]
    else:
        events.append(Happening(9 * TICKS_PER_SECOND, "bench", "late", {"us": 3000}))
        links = [info._replace(uncertainty=MS, edges=False) for info in links]
    assert found(events, links, True) == found(events, links, False)
    assert (counted["bus"] > 100) == (how != "a stall")


@pytest.mark.parametrize("seat", PLANS)
def test_wrong_seats_are_judged_alike(seat):
    plan = PLANS[seat]
    wrong = [variant for variant in plan.variants if variant.case]
    for variant in wrong[::9]:
        result = play_virtual(Settings(), BOOK, plan, plan.cases[variant.case], 1, {variant.seat: variant.make}, ())
        for events in (result.events, shaken(result.events)):
            assert found(events, result.links, True) == found(events, result.links, False), variant.title


def shaken(events: list) -> list:
    """Each burst up to 4 ms later than it was."""
    late = [n * n * 7919 % (4 * MS) for n in range(len(events))]
    return [
        event._replace(start=event.start + more, end=event.end + more) if type(event) is Burst else event
        for event, more in zip(events, late, strict=True)
    ]


# Traffic made up: three devices, one that is not there, a board that is polled, and whatever may come between.

POLLS = {"changer": "10B 00B", "validator": "133 033", "cashless1": "112 012"}
ODD = {
    "nothing": (),
    "data": (("board", "10B 00B", 20), ("changer", "052 007 159", 1), ("board", "000", 1)),
    "data, no ACK": (("board", "10B 00B", 20), ("changer", "052 007 159", 1)),
    "lever": (("board", "10B 00B", 20), ("changer", "001 101", 1), ("board", "000", 1)),
    "a bill": (("board", "133 033", 20), ("validator", "091 191", 1), ("board", "000", 1)),
    "silence": (("board", "133 033", 20),),
    "late": (("board", "112 012", 20), ("cashless1", "100", 5.5)),
    "early": (("board", "10B 00B", 20), ("changer", "100", -1)),
    "NAK": (("board", "10B 00B", 20), ("changer", "1FF", 1)),
    "wrong sum": (("board", "10B 00C", 20),),
    "not its own": (("board", "10B 00B", 20), ("validator", "100", 1)),
    "unasked": (("cashless1", "100", 12),),
    "reset": (("board", "108 008", 20), ("changer", "100", 1)),
    "just reset": (("board", "10B 00B", 20), ("changer", "00B 10B", 1), ("board", "000", 1)),
    "absent": (("board", "160 060", 20),),
    "enable": (("board", "10C 0FF 0FF 0FF 0FF 008", 20), ("changer", "100", 1)),
    "break": (("board", "break", 20),),
    "in a hurry": (("board", "10B 00B", 0.4), ("changer", "100", 0.2)),
}
TALK = {
    "nothing": (),
    "credit": ((True, "03{:02x}", 90), (False, "83{:02x}00030000001900", 2)),
    "event": ((True, "03{:02x}", 90), (False, "83{:02x}0003000000320101040101", 2)),
    "twice": ((True, "03{:02x}", 90), (True, "03{:02x}", 40), (False, "83{:02x}00030000000000", 2)),
    "slow": ((True, "03{:02x}", 90), (False, "83{:02x}00030000000000", 21)),
    "refused": ((True, "03{:02x}", 90), (False, "83{:02x}04", 2)),
    "another": ((True, "07{:02x}", 90), (False, "87{:02x}00", 2)),
    "rest": ((True, "03{:02x}", 90), (False, "83{:02x}00030000000000", 2)),
    "other number": ((True, "03{:02x}", 90), (False, "8300" + "00030000000000", 2)),
    "long pause": ((True, "03{:02x}", 2500), (False, "83{:02x}00030000000000", 2)),
}
STEPS = st.lists(st.tuples(st.sampled_from(list(ODD)), st.integers(0, 9), st.sampled_from([0, 1, 700, 40_000])), max_size=12)
TALKS = st.lists(st.tuples(st.sampled_from(list(TALK)), st.integers(0, 40)), max_size=8)
ASIDE = st.lists(
    st.tuples(st.integers(0, 4000), st.sampled_from([("board", "power", {"on": False}), ("changer", "power", {"on": False}),
              ("changer", "coin", {"value": 25, "to": "box"}), ("machine", "door", {"open": True})])), max_size=2,
)  # fmt: skip


def bus_of(steps) -> list[Burst]:
    """Rounds of POLL, so many before each odd step; `shift` moves answers by up to so many ticks."""
    told, now = [], 10 * MS

    def say(seat, words, after):
        nonlocal now
        start = max(now + round(after * MS), told[-1].start if told else 0)
        values = (BREAK,) if words == "break" else tuple(int(word, 16) for word in words.split())
        now = start + (120 * MS if words == "break" else 82_500 * len(values))
        told.append(Burst(start, now, "bus", seat == "board", seat, values))

    for odd, rounds, shift in [*steps, ("nothing", 5, 0)]:
        for number in range(rounds):
            for seat, poll in POLLS.items():
                say("board", poll, 30)
                say(seat, "100", 1 + number * 7919 % (shift + 1) / MS)
        for said in ODD[odd]:
            say(*said)
    return told


def kit_of(talks) -> list[Burst]:
    """POLL after POLL, so many before each odd step."""
    told, now, seq = [], 5 * MS, 0
    for odd, polls in [*talks, ("nothing", 5)]:
        for steps in [TALK["rest"]] * polls + [TALK[odd]]:
            seq = (seq + bool(steps)) % 256
            for out, body, after in steps:
                words = tuple(kit_script.wire_of(bytes.fromhex(body.format(seq))))
                start, now = now + round(after * MS), now + round(after * MS) + 6_250 * len(words)
                told.append(Burst(start, now, "kit", out, "host" if out else "board", words))
    return told


@settings(max_examples=60, deadline=None)
@given(STEPS, TALKS, ASIDE, st.sampled_from([0, 0, 3_600, 216_000]))
def test_any_traffic_is_judged_alike(steps, talks, aside, doubt):
    links = [LinkInfo("bus", "board", 82_500, doubt), LinkInfo("kit", "host", 6_250, doubt)]
    events = bus_of(steps) + kit_of(talks) + [Happening(at * MS, *what) for at, what in aside]
    assert found(events, links, True) == found(events, links, False)


def test_a_board_that_tells_something_else_once_is_at_rest_no_longer():
    """A coin, credit told late and taken back: the books settle twice."""
    events = kit_of([("credit", 40), ("nothing", 40)]) + [Happening(0, "changer", "coin", {"value": 25, "to": "box"})]
    links = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]
    alike, told = found(events, links, True), found(events, links, False)
    assert alike == told
    assert next(v.checked for v in told[0] if v.rule == "SYS-MONEY") == 2


def test_made_up_traffic_rests_too(counted):
    events = bus_of([("nothing", 9, 0), ("absent", 9, 700), ("absent", 9, 0), ("data", 9, 0)]) + kit_of([("nothing", 60)])
    links = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]
    assert found(events, links, True) == found(events, links, False)
    assert counted["bus"] > 50
    assert counted["kit"] > 10


def test_what_is_held_is_bounded(counted, monkeypatch):
    """Hours of rest are counted piece by piece."""
    monkeypatch.setattr("benchsim.judge.rounds.HELD", 16)
    most, hold = [0], LinkRounds._answered

    def holding(self, burst):
        held = hold(self, burst)
        most[0] = max(most[0], len(self._held))
        return held

    monkeypatch.setattr(LinkRounds, "_answered", holding)
    events = bus_of([("nothing", 90, 700), ("absent", 30, 0), ("absent", 30, 0)])
    links = [LinkInfo("bus", "board", 82_500)]
    assert found(events, links, True) == found(events, links, False)
    assert counted["bus"] > 300
    assert most[0] <= 16
