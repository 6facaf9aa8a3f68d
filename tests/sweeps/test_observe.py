"""What a visit shows, where it can be said beforehand: from what the visit does, from the card's own cause."""

import gc
from functools import lru_cache

import pytest

from benchsim.bench import Bench
from benchsim.judge import Judge
from benchsim.settings import Settings
from benchsim.sweeps.observables import LOOKS, count, look_of, share
from benchsim.sweeps.observe import Observer
from benchsim.sweeps.work import HEALTHY, Job, work


@lru_cache
def _seen(cards, seed=3):
    return work(Settings(), Job(cards, seed)).values


# Three sales, of coins, a bill and a card; each is delivered, so three products fall and three coils turn once.
SOUND = {
    "screen.ready": "soon", "screen.says-sold": "yes", "screen.says-no-board": "no", "screen.price-tapped": "as the tag",
    "screen.says-door-open": "yes", "screen.answers-taps": "all",
    "sale.coins": "all", "sale.coin-credits": "all", "sale.bill": "stacked", "sale.bill-credits": "all",
    "sale.card": "charged", "sale.vends": "2 or 3", "sale.vend-delivered": "2 or 3", "sale.vend-no-drop": "0",
    "sale.fell": "as told", "sale.coils-at-once": "1", "sale.longest-turn": "one turn", "sale.change-paid": "something",
    "survey.missing": "nothing", "counters.bad-frames": "0", "counters.starts": "1", "counters.time": "right",
    "device.changer": "ready", "device.validator": "ready", "device.cashless1": "ready", "device.changer-lost": "0",
    "kit.broken-host": "none", "kit.answer-ms": "under 5", "kit.vend-place": "all", "kit.refused-vends": "none",
    "bus.changer-silent": "none", "bus.changer-naks": "0", "panel.broken": "none", "panel.held": "as tapped",
    "lights.changer": "lit", "lights.validator": "lit", "lights.cashless1": "lit", "audit.adds-up": "yes",
    "bus.changer-starts": "1", "bus.cashless1-starts": "1", "panel.starts": "1",
}  # fmt: skip


def test_a_sound_machine():
    seen = _seen(HEALTHY)
    assert {name: seen.get(name) for name in SOUND} == SOUND
    assert [name for name, value in seen.items() if value == "broken"] == []


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ("kit-cable-unplugged", {"screen.ready": "never", "survey.missing": "not read", "kit.silent": "all"}),
        ("changer-unplugged", {"device.changer": "never told", "sale.coins": "none", "bus.changer-silent": "all"}),
        # the board hears nothing either way; the harness feeds the devices, one open pair does not darken them
        ("bus-unplugged", {"lights.changer": "dark", "lights.cashless1": "dark", "bus.changer-starts": "0"}),
        ("bus-transmit-open", {"lights.changer": "lit", "lights.cashless1": "lit", "bus.changer-starts": "0"}),
        ("bus-coil-noise", {"bus.broken-while-turning": "all", "device.changer": "ready"}),
        # every 3 to 12 s, for 41 s: 3 starts or more; the board hears JUST RESET of each that was polled
        ("reader-restarts", {"bus.cashless1-starts": "4 to 9", "bus.changer-starts": "1", "lights.cashless1": "lit"}),
        ("column-open", {"survey.missing": "a column", "sale.vend-not-turned": "1"}),
        ("row-open", {"survey.missing": "a row"}),
        ("rows-shorted", {"sale.coils-at-once": "2 or 3", "sale.fell": "more", "survey.missing": "nothing"}),
        ("coil-missing", {"survey.missing": "one coil"}),
        ("connectors-exchanged", {"survey.missing": "everything", "sale.fell": "nothing"}),
        ("home-switch-open", {"sale.longest-turn": "long", "sale.vend-not-home": "1"}),
        ("price-wrong", {"screen.price-tapped": "another"}),
        ("panel-upside-down", {"kit.vend-place": "none", "panel.place": "upside down"}),
        ("device-clock-slow", {"bus.words": "slow", "device.changer": "ready", "sale.vend-delivered": "2 or 3"}),
        ("host-off", {"screen.lit": "never"}),
        ("supply-sags", {"counters.supply": "far too low"}),
        ("sensor-astray", {"cold.sensor": "wrong"}),
        # one sale is in the books when half of its total is lost: the parts no longer make the whole
        ("audit-totals-torn", {"audit.read": "read", "audit.adds-up": "no", "rule.AUD-TOTALS.board": "broken"}),
        ("audit-unplugged", {"audit.read": "not to its end"}),
        ("host-clock-wrong", {"counters.time": "wrong"}),
        ("reader-never-decides", {"sale.card": "denied", "screen.says-refused": "yes"}),
        # 1 in 100 to 1 in 20 bytes wrong in frames of 6 to 12 bytes
        ("kit-bytes-lost", {"counters.starts": "1", "sale.coins": "all"}),
        ("coin-jam+panel-unplugged", {"sale.coins": "none", "screen.says-turning": "no"}),
    ],
)
def test_what_a_cause_must_show(cards, expected):
    seen = _seen(cards)
    assert {name: seen.get(name) for name in expected} == expected


def test_a_piece_of_work_depends_on_card_and_seed_alone():
    job = Job("bus-contact-loose", 5)
    assert work(Settings(), job) == work(Settings(), job)
    assert work(Settings(), job).chosen != work(Settings(), Job("bus-contact-loose", 6)).chosen


def test_buckets():
    assert [share(n, 100) for n in (0, 1, 10, 40, 99, 100)] == ["none", "few", "some", "many", "most", "all"]
    assert share(0, 0) is None
    assert [count(n) for n in (0, 1, 2, 3, 4, 9, 10)] == ["0", "1", "2 or 3", "2 or 3", "4 to 9", "4 to 9", "10 or more"]


def test_every_observable_belongs_to_a_look():
    assert {look_of(name).name for name in _seen(HEALTHY)} == set(LOOKS)


def test_visits_leave_nothing_behind():
    """Thousands of them are played by one process."""

    def kept():
        gc.collect()
        return sum(isinstance(one, (Judge, Bench, Observer)) for one in gc.get_objects())

    before = kept()
    for seed in range(3):
        work(Settings(), Job("reader-restarts", seed))
    assert kept() <= before
