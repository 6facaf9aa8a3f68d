"""The carrier with a broker in the hands of the test: whatever breaks when, every message arrives or is told as missed."""

import asyncio
from contextlib import asynccontextmanager

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchsim.feeds import carrier as carrier_module
from benchsim.feeds.carrier import Carrier
from benchsim.feeds.client import Lost
from benchsim.feeds.outbox import Outbox

HEAD = {"feed": 1, "bench": "left", "run": 16 * "0"}
BROKER = ("shop", 1883, False, "x", None, None, None)
MOST = 7


class Broker:
    """Takes as many messages over each connection as `lives` says, then breaks it; the one under way may have arrived."""

    def __init__(self, lives, keeps_last):
        self.lives, self.keeps_last, self.got = iter(lives), keeps_last, []
        self.ended_well = False

    @asynccontextmanager
    async def connected(self, broker, will):
        self.left, self.kept = next(self.lives, None), {}  # a broker that breaks may forget all
        if self.left == 0:
            raise Lost("connection refused")
        try:
            yield self
            self.ended_well = True
        except ConnectionError:
            raise Lost("the connection broke") from None

    async def subscribe(self, topic, qos):
        assert qos == 1

    async def publish(self, topic, payload, qos, retain):
        assert qos == 1
        await asyncio.sleep(0)
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                if self.keeps_last:
                    self.got.append((topic, payload, retain))
                raise ConnectionError
        if retain:
            self.kept[topic] = json(payload)
        self.got.append((topic, payload, retain))

    @property
    async def messages(self):
        await asyncio.get_running_loop().create_future()
        yield


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch):
    monkeypatch.setattr(carrier_module, "AGAIN_MIN", 0.0)
    monkeypatch.setattr(carrier_module, "AGAIN_MAX", 0.0)
    monkeypatch.setattr(carrier_module, "AT_ONCE", 2)


@given(
    st.lists(st.integers(0, 12), max_size=6),
    st.booleans(),
    st.lists(st.one_of(st.sampled_from(["event", "event", "event", "progress", "lost on the way"]), st.integers(1, 5)), max_size=40),
)
@example([3], False, ["progress", "event", "event", "event", 5, 5, 5, 5])
def test_every_number_arrives_or_is_in_one_gap(lives, keeps_last, steps):
    broker, words, done = Broker(lives, keeps_last), [], []
    carrier_module.connected = broker.connected
    number = 0

    async def main():
        nonlocal number
        carrier = Carrier({"broker": BROKER, "bench": "left", "head": HEAD, "commands": False}, words.append)
        carrier.outbox = Outbox(MOST)
        carrying = asyncio.ensure_future(carrier.carry())
        say(carrier, {"kind": "status", "state": "running"})
        for step in steps:
            if isinstance(step, int):
                for _ in range(step):
                    await asyncio.sleep(0)
                continue
            if step == "progress":
                done.append(number)
                say(carrier, {"kind": step, "done": number})
                continue
            number += 1
            if step == "event":
                say(carrier, {"kind": "event", "number": number})
        say(carrier, {"kind": "status", "state": "ended"})
        carrier.line(b'{"over": %d}' % number)
        async with asyncio.timeout(20):
            await carrying
        carrier.last_words()

    asyncio.run(main())
    got = [(topic.rpartition("/")[2], json(payload), retain) for topic, payload, retain in broker.got]
    arrived = [message["number"] for kind, message, _ in got if kind == "event"]
    gaps = {(message["first"], message["last"]) for kind, message, _ in got if kind == "gap"}
    missed = [n for first, last in gaps for n in range(first, last + 1)]
    assert len(missed) == len(set(missed)) and not set(missed) & set(arrived)
    assert all(retain == (kind in ("status", "progress")) for kind, _, retain in got)
    if broker.ended_well:
        assert sorted({*arrived, *missed}) == list(range(1, number + 1))
        status, progress = broker.kept["x/left/status"], broker.kept.get("x/left/progress")
        assert (status["state"], status["missed"]) == ("ended", len(missed))
        assert (progress and progress["done"]) == (done[-1] if done else None)
    else:
        assert words


def test_a_status_that_is_under_way_when_a_late_will_comes_is_told_again():
    whole = {"sent": "2026-01-05T08:00:00Z", "doing": "run", "title": "", "subject": None, "seed": 1, "version": "1",
             "commands": False, "outcome": None, "stopped": False, "missed": 0}  # fmt: skip
    carrier = Carrier({"broker": BROKER, "bench": "left", "head": HEAD, "commands": False}, None)
    say(carrier, {"kind": "status", "state": "running", **whole})
    under_way = carrier.outbox.first(1)
    before = HEAD | {"kind": "status", "state": "lost", "run": 16 * "f", **whole}
    carrier._of_our_name(carrier_module.json.dumps(before).encode())
    carrier.outbox.told(under_way)
    assert [message["state"] for message in carrier.outbox] == ["running"]


def say(carrier, message):
    carrier.line(carrier_module.json.dumps(HEAD | message).encode())


def json(payload):
    return carrier_module.json.loads(payload)
