"""A feed and a broker that is killed, restarted, frozen, or full of other people's messages."""

import os
import signal
import time
from collections import Counter

import pytest

from benchsim.checks.plans import PLANS
from benchsim.checks.runner import play_virtual
from benchsim.events import Burst
from benchsim.feeds.broker import parse_broker
from benchsim.feeds.feed import Feed
from benchsim.feeds.outbox import MOST
from benchsim.feeds.telling import Telling
from benchsim.schema import load_book
from benchsim.settings import Settings


class Bench:
    """The bench's side, with words for people kept."""

    def __init__(self, at, commands=False):
        self.lines, self.orders = [], []
        broker = parse_broker(at.url, at.environ)
        self.feed = Feed(broker, "left", commands, self.lines.append)
        self.telling = Telling(self.feed, "run", Settings(), 1, None)
        self.said = 0

    def say(self, count=1):
        for _ in range(count):
            self.said += 1
            self.feed.say("event", time_s=0, says=f"word {self.said}")

    def hears(self):
        self.orders += self.feed.heard()
        return self.orders

    def told(self, words):
        """Was that told to people by now?"""
        self.hears()
        return [line for line in self.lines if words in line]

    def dies(self):
        """Without a word, as a killed process does."""
        with self.feed._child as child:
            child.stdin.close()
            child.wait(20)

    def ends(self):
        self.telling.ended("pass", False)
        self.feed.close()


@pytest.fixture
def bench():
    made = []

    def make(*words, **more):
        made.append(Bench(*words, **more))
        return made[-1]

    yield make
    for each in made:
        each.dies()


def numbers(seen):
    """Those that arrived, without those that were sent again."""
    return sorted({message["number"] for *_, message in seen.all() if "number" in message})


def test_a_short_outage_loses_nothing(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    one.say(5)
    seen.wait("event", number=5)
    at.stop()
    until(lambda: one.told("is lost"), "words about the loss")
    one.say(7)
    at.start()
    until(lambda: one.told("is there now"), "words about the return")
    one.say(3)
    one.ends()
    assert seen.wait("status", state="ended")["missed"] == 0
    assert numbers(seen) == list(range(1, 16)) and not seen.of("gap")
    assert len(one.lines) == 2


def test_a_long_outage_is_a_gap_that_is_told_and_counted(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    one.say(5)
    seen.wait("event", number=5)
    at.stop()
    until(lambda: one.told("is lost"), "words about the loss")
    for _ in range(20):
        one.say(MOST // 10)
        time.sleep(0.01)
    at.start()
    (line,) = until(lambda: one.told("is there now"), "words about the return")
    one.ends()
    seen.wait("status", state="ended")
    (gap,) = seen.of("gap")
    assert (gap["first"], gap["last"]) == (6, 5 + MOST) and gap["missed"] == MOST  # of 2 × MOST the newest are kept
    assert numbers(seen) == [*range(1, 6), *range(6 + MOST, 6 + 2 * MOST)]
    assert seen.of("status")[-1]["missed"] == MOST
    assert f"{MOST} messages missed" in line


def test_a_carrier_that_stands_still_holds_nobody_up(at_broker, bench):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    one.say(3)
    seen.wait("event", number=3)
    os.kill(one.feed._child.pid, signal.SIGSTOP)
    for number in range(4, 3004):  # more than the pipe and the queue hold
        one.feed.say("event", time_s=0, says=f"{number} " + 2000 * "x")
    os.kill(one.feed._child.pid, signal.SIGCONT)
    one.ends()
    assert seen.wait("status", state="ended")["missed"] == (told := sum(gap["missed"] for gap in seen.of("gap"))) > 0
    missed = [number for gap in seen.of("gap") for number in range(gap["first"], gap["last"] + 1)]
    assert len(missed) == told and sorted([*numbers(seen), *missed]) == list(range(1, 3004))


def test_a_wrong_device_is_told_with_the_rule_that_it_breaks(at_broker, bench):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    plan = PLANS["changer"]
    variant = next(variant for variant in plan.variants if variant.rule)
    case = plan.cases[variant.case]
    result = play_virtual(Settings(), load_book(), plan, case, 1, {variant.seat: variant.make})
    one.telling.case(result)
    one.telling.step(1, 1, "cases", case.name)
    one.ends()
    failed = [verdict for verdict in result.verdicts if verdict.outcome == "fail"]
    assert variant.rule in [verdict.rule for verdict in failed]
    seen.wait("status", state="ended")
    assert [(m["rule"], m["judged"], m["case"]) for m in seen.of("broken")] == [(v.rule, v.judged, case.name) for v in failed]
    assert seen.of("progress")[-1]["standing"] == dict(Counter(verdict.outcome for verdict in result.verdicts))
    (links,) = seen.of("links")
    assert links["links"]["bus"]["words"] == sum(len(e.words) for e in result.events if isinstance(e, Burst))


def test_a_broker_that_is_killed_and_forgets_everything_is_told_the_last_again(at_broker, bench, until):
    at = at_broker()
    one = bench(at)
    one.telling.progress(3, 10, "seconds", "")
    one.feed.say("seats", time_s=3, seats={"board": "on sale"})
    at.looker("before").wait("seats")
    at.stop(signal.SIGKILL)
    (at.folder / "mosquitto.db").unlink(missing_ok=True)
    until(lambda: one.told("is lost"), "words about the loss")
    at.start()
    until(lambda: one.told("is there now"), "words about the return")
    seen = at.looker("after")
    assert seen.wait("status")["state"] == "running"
    assert seen.wait("progress")["done"] == 3
    assert seen.wait("seats")["seats"] == {"board": "on sale"}
    one.ends()


def test_what_is_left_when_the_broker_stays_away_is_said(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    one.say(2)
    seen.wait("event", number=2)
    at.stop(signal.SIGSTOP)
    one.say(3)
    one.ends()
    assert one.lines == [f"{one.feed.broker} did not take the last 3 messages"]
    at.process.send_signal(signal.SIGCONT)
    assert seen.wait("status", state="lost")["outcome"] is None  # the last will: nothing better was heard


def test_a_bench_that_is_gone_without_a_word_is_lost(at_broker, bench):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    seen.wait("status", state="running")
    one.dies()
    seen.wait("status", state="lost")


def test_a_feed_whose_own_process_is_killed_costs_a_line(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    seen.wait("status", state="running")
    os.kill(one.feed._child.pid, signal.SIGKILL)
    seen.wait("status", state="lost")
    until(lambda: one.told("its own process is gone"), "words about it")
    one.say(3 * MOST)  # nothing waits for anybody
    one.ends()
    assert len(one.lines) == 1


def test_the_last_will_of_a_run_before_does_not_stay(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    before = bench(at)
    seen.wait("status", state="running", run=before.feed.run)
    now = bench(at)
    seen.wait("status", state="running", run=now.feed.run)
    before.dies()
    seen.wait("status", state="lost", run=before.feed.run)
    until(lambda: seen.of("status")[-1]["run"] == now.feed.run, "the status of the run that lasts")


def test_two_benches_of_one_name_are_told_of_each_other(at_broker, bench, until):
    at = at_broker()
    one = bench(at)
    at.looker().wait("status", run=one.feed.run)
    two = bench(at)
    until(lambda: one.told("another bench feeds as left too") or two.told("another bench feeds as left too"), "words about it")
    for each in (one, two):
        each.ends()
        assert len(each.lines) <= 1


ORDER = '{"feed": 1, "kind": "command", "do": "stop", "id": "a"}'


def test_commands_arrive_if_they_are_allowed_and_are_whole(at_broker, bench, until):
    at, seen = (made := at_broker()), made.looker()
    at.say("shop/left/command", ORDER.replace('"a"', '"of yesterday"'), retain=True)
    one = bench(at, commands=True)
    until(lambda: one.told("a retained command was not obeyed"), "words about it")
    for words in ("{", '{"feed": 2, "kind": "command", "do": "stop"}', '{"feed": 1, "kind": "command", "do": "dance"}',
                  '{"feed": 1, "kind": "command", "do": "fault"}', "[" * 3000, '{"feed": 1, "kind": "gap"}', "\x07"):  # fmt: skip
        at.say("shop/left/command", words)
    at.say("shop/left/command", ORDER)
    until(lambda: any(order.get("id") == "a" for order in one.hears()), "the command")
    assert [order.get("do") for order in one.orders] == [None] * 7 + ["stop"]
    one.ends()
    assert all(status["commands"] for status in seen.of("status"))


def test_commands_are_not_even_heard_if_they_are_not_allowed(at_broker, bench):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at)
    assert seen.wait("status")["commands"] is False
    at.say("shop/left/command", ORDER)
    at.say("shop/left/status", ORDER)  # and what is no status is none of its business
    one.say()
    seen.wait("event", number=1)
    one.ends()
    assert one.orders == [] and one.lines == []


def test_what_is_no_live_bench_stops_as_by_ctrl_c_and_can_do_nothing_else(at_broker, bench):
    at, seen = (made := at_broker()), made.looker()
    one = bench(at, commands=True)
    seen.wait("status")
    at.say("shop/left/command", '{"feed": 1, "kind": "command", "do": "fault", "fault": "host-off", "on": true, "id": "b"}')
    at.say("shop/left/command", ORDER)
    with pytest.raises(KeyboardInterrupt):
        for done in range(1000):
            one.telling.step(done, 1000, "runs")
            time.sleep(0.02)
    one.ends()
    seen.wait("status", state="ended")
    assert [(message["id"], message["done"]) for message in seen.of("answer")] == [("b", False), ("a", True)]
