"""Leaps over quiet time: the same bench with them and without is the same bench."""

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.bench import Bench, bench_links
from benchsim.checks.host_stage import HostStage
from benchsim.clock import run
from benchsim.events import TICKS_PER_SECOND, ticks
from benchsim.faults.schedule import parse_fault
from benchsim.judge import Judge
from benchsim.leaps import Leaps
from benchsim.portrait import Portrait
from benchsim.schema import load_book
from benchsim.settings import Settings
from benchsim.sweeps.shoppers import Day, Ledger, play

BOOK = load_book()


class Diary:
    """What happened off the links, in bench time."""

    def __init__(self, clock):
        self.clock, self.entries = clock, []

    def burst(self, burst) -> None:
        pass

    def happening(self, happening) -> None:
        self.entries.append((happening.time + self.clock.skipped, happening.seat, happening.kind, happening.data))

    def leapt(self, length, counted) -> None:
        pass


def played(script, leaping: bool, seed: int = 1, bench_file: Settings | None = None) -> dict:
    """Run `script(bench, stage)` and give back all that may not depend on leaps, and how much was leapt over."""

    async def main(clock):
        bench, judge = Bench(bench_file or Settings(), BOOK, clock, seed), Judge(bench_links(BOOK), BOOK)
        diary, ledger = Diary(clock), Ledger(bench)
        bench.trace.listeners += [judge, diary, ledger]
        bench.power_on()
        leaps = Leaps(bench)
        if leaping:
            leaps.start()
        stage = HostStage(bench)
        await stage.on_sale()
        await script(bench, stage)
        bench.trace.close()
        judge.close(clock.now())
        counts = bench.board.answerer.requests, bench.board.memory.counters, bench.board.memory.cash
        devices = [bench.devices["changer"].tubes, bench.devices["changer"].boxed, bench.devices["validator"].stacked]
        told = bench.board.queue.told, bench.host.screen.service.rows(), bench.host.screen.text, judge.samples().keys()
        heard = bench.host.panel_heard, vars(bench.host._seen), [place.get(name) for place, name in Portrait(bench, 0).regular]
        same = {"told": told, "heard": heard, "ended": clock.bench_time(), "verdicts": [one.as_json() for one in judge.verdicts()], "frames": judge.frames,
                "diary": diary.entries, "counts": counts, "devices": devices, "ledger": ledger.text()}  # fmt: skip
        return same, leaps.leapt / TICKS_PER_SECOND, leaps.times

    return run(main)


async def shopper(bench, stage, kind: str) -> None:
    """Somebody comes, does something, and goes."""
    clock = bench.clock
    if kind in ("buys", "leaves credit", "takes change", "jams"):
        for _ in range(3):
            bench.devices["changer"].insert(3)
            await clock.sleep(1.1)
    if kind in ("buys", "takes change"):
        stage.tap(1, 1)
        await clock.sleep(4)
    elif kind == "jams":
        bench.coils.jammed.add((1, 1))
        stage.tap(1, 1)
        await clock.sleep(4)
        bench.coils.jammed.discard((1, 1))
    elif kind == "card":
        bench.devices["cashless1"].card(1000)
        await clock.sleep(1.5)
        stage.tap(2, 2)
        await clock.sleep(4)
        bench.devices["cashless1"].pull()
    elif kind == "looks at a card":
        bench.devices["cashless1"].card(1000)
        await clock.sleep(2.2)
        bench.devices["cashless1"].pull()
    elif kind == "bill":
        bench.devices["validator"].insert(0)
        await clock.sleep(3)
    elif kind == "restarts the changer":
        bench.devices["changer"].restart()
    elif kind == "cuts the board's power":
        bench.board.power_off()
        await clock.sleep(2)
        bench.board.power_on()
    elif kind == "opens the door":
        bench.door.move(True)
        await clock.sleep(20)
        bench.door.move(False)
    if kind != "leaves credit":
        bench.devices["changer"].lever()


KINDS = ["buys", "leaves credit", "takes change", "jams", "card", "looks at a card", "bill", "restarts the changer",
         "cuts the board's power", "opens the door"]  # fmt: skip


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 1000),
    acts=st.lists(st.tuples(st.integers(1, 150_000), st.sampled_from(KINDS)), min_size=1, max_size=2),
)
def test_with_leaps_and_without_the_same_happens(seed, acts):
    async def script(bench, stage):
        for wait_ms, kind in acts:
            await bench.clock.sleep(wait_ms / 1000)
            await shopper(bench, stage, kind)
        await bench.clock.sleep(70)

    with_leaps, leapt, _ = played(script, True, seed)
    without, none, _ = played(script, False, seed)
    assert none == 0 and with_leaps == without


def test_what_is_regular_and_readings_are_passed_and_nobody_can_tell():
    """Minutes of quiet, so that looks at tubes, searches for missing devices, TEMPERATURE and the panel's reports are
    passed; acts fall anywhere between them, the last one soon after a whole minute."""

    async def script(bench, stage):
        for wait, kind in ((200, "leaves credit"), (133.3, "card"), (20.2, "takes change"), (118, "buys")):
            await bench.clock.sleep(wait)
            await shopper(bench, stage, kind)
        await bench.clock.sleep_until(ticks(600.3))
        bench.devices["changer"].lever()
        await bench.clock.sleep(3)

    with_leaps, leapt, times = played(script, True, seed=5)
    without, _, _ = played(script, False, seed=5)
    assert with_leaps == without and leapt > 540 and times < 70
    assert any(kind == "cold" for _, _, kind, _ in with_leaps["diary"])


def test_most_of_a_quiet_hour_is_leapt_over():
    async def script(bench, stage):
        await bench.clock.sleep(3600)

    same, leapt, times = played(script, True)
    assert leapt > 3550 and times < 40
    assert {one["outcome"] for one in same["verdicts"]} <= {"pass", "unseen"}
    assert same["counts"][0] == pytest.approx(36_000, abs=60)  # a request every 100 ms


def test_faults_are_never_leapt_over():
    """Words that are spoilt now and then keep the bench awake; before and after them it rests."""
    fault = parse_fault("bus-contact-loose@100+20", Settings())

    async def script(bench, stage):
        await bench.clock.sleep(200)

    with_leaps, leapt, _ = played(script, True, bench_file=Settings(faults=[fault]))
    without, _, _ = played(script, False, bench_file=Settings(faults=[fault]))
    assert with_leaps == without and leapt > 50


def test_no_leap_passes_a_far_call_of_anybody():
    async def script(bench, stage):
        times = []
        for wait in (80, 33.3, 0.001, 60):
            due = bench.clock.bench_time() + ticks(wait)
            bench.clock.call_far(due, lambda due=due: times.append(bench.clock.bench_time() - due))
            await bench.clock.sleep(wait)
        assert times == [0, 0, 0, 0]

    assert played(script, True)[1] > 70


def test_a_listener_that_knows_no_leaps_is_refused():
    class Writer:
        burst = happening = staticmethod(lambda what: None)

    async def main(clock):
        bench = Bench(Settings(), BOOK, clock, 1)
        bench.trace.listeners.append(Writer())
        with pytest.raises(ValueError, match="Writer cannot leap"):
            Leaps(bench).start()

    run(main)


def test_real_time_is_not_leapt_over():
    async def main(clock):
        with pytest.raises(ValueError, match="virtual time only"):
            Leaps(Bench(Settings(), BOOK, clock, 1)).start()

    run(main, virtual=False)


def test_hours_with_shoppers_close_to_the_cent():
    day = play(Day(seed=3, hours=2.0, gap=(300.0, 1200.0)))
    assert day.closed and day.failed == () and sum(day.shoppers.values()) >= 6
    assert day.leapt_s > 0.8 * 2 * 3600


def test_a_ledger_that_misses_a_coin_does_not_close():
    class Thief:
        """Takes a coin that was paid in out of its tube."""

        def __init__(self, bench):
            self.bench = bench

        def burst(self, burst) -> None:
            pass

        def happening(self, happening) -> None:
            if happening.kind == "coin" and happening.data["to"] == "tube":
                self.bench.devices["changer"].tubes[happening.data["type"]] -= 1

        def leapt(self, length, counted) -> None:
            pass

    day = play(Day(seed=3, hours=1.5), Thief)
    assert day.shoppers & Counter(["coins", "lever", "jam", "sold out"]) and not day.closed
