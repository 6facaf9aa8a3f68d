"""Fault cards as data, and that a bench with any of them goes on."""

import random
from dataclasses import replace

import pytest

from benchsim.bench import Bench
from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.faults import Fault, card, cautions, load_cards
from benchsim.faults.cards import Parameter
from benchsim.faults.mechanism import MECHANISMS, all_of, put
from benchsim.live.customer import Customer
from benchsim.schema import load_book
from benchsim.settings import Settings

CARDS = load_cards()


def test_every_mechanism_is_in_use_and_every_card_says_what_people_need():
    assert set(MECHANISMS) == {one.mechanism.name for one in CARDS.values()}
    for one in CARDS.values():
        assert one.cause.endswith((".", ":")) and one.confirm.endswith(".") and one.mend.endswith("."), one.id
        assert one.mechanism.says and 0 < one.minutes <= 60, one.id
        assert one.hurts or not one.hands or one.minutes <= 6, one.id
    assert set(cautions()) >= {key for one in CARDS.values() for key in one.hurts}


@pytest.mark.parametrize("one", CARDS.values(), ids=CARDS)
def test_drawn_parameters_are_parameters(one):
    settings, rng = Settings(rows=3, columns=4), random.Random(5)
    for _ in range(20):
        drawn = one.draw(rng, settings)
        assert one.checked(drawn, settings, "x") == drawn


@pytest.mark.parametrize(
    ("parameter", "value", "expected"),
    [
        (Parameter("a", 3, "", low=1, high=5), 6, "a whole number from 1 to 5"),
        (Parameter("a", 3, "", low=1, high=5), True, "a whole number from 1 to 5"),
        (Parameter("a", 3.0, "", low=1, high=5), 5, ""),
        (Parameter("a", "x", "", among=("x", "y")), "z", "one of x, y"),
        (Parameter("a", 0, "", of="rows"), 6, "a whole number from 0 to 5"),
    ],
)
def test_values_of_a_parameter(parameter, value, expected):
    assert parameter.wrong(value, Settings()) == expected


def _attributes(bench) -> dict:
    """What a fault might cover: the names that every part has of its own."""
    parts = [bench.board, bench.host, bench.panel, bench.coils, *bench.devices.values(), *bench.lines.values()]
    return {type(part).__name__ + getattr(part, "seat", getattr(part, "name", "")): set(vars(part)) for part in parts}


@pytest.mark.parametrize("one", CARDS.values(), ids=lambda one: one.id)
def test_it_comes_and_goes_and_leaves_nothing_behind(one):
    fault = Fault(one, {}, at=4.0, lasts=1.5, every=3.0, until=8.0)
    settings = Settings(faults=[fault])
    told: list[tuple[float, bool]] = []

    class Ear:
        def burst(self, burst):
            pass

        def happening(self, happening):
            if happening.kind == "fault":
                assert happening.seat == "bench" and happening.data["name"] == one.id
                told.append((happening.time / 72e6, happening.data["on"]))

    async def main(clock):
        bench = Bench(settings, load_book(), clock, 1)
        bench.trace.listeners.append(Ear())
        customer = Customer(bench)
        bench.power_on()
        await clock.sleep(3.9)
        before = _attributes(bench)
        customer.coin()
        await clock.sleep(0.5)
        customer.tap()
        await clock.sleep(7)
        bench.trace.close()
        assert _attributes(bench) == before
        assert not any(line.hurts or line.deaf for line in bench.lines.values())

    run(main, virtual=True)
    assert [(round(at, 3), is_on) for at, is_on in told] == [(4, True), (5.5, False), (7, True), (8.5, False)]


def test_unknown_card():
    with pytest.raises(UsageError, match="no card 'coil-jamed', expected one such as coil-jammed"):
        card("coil-jamed", "here")


def test_faults_combine_and_their_chance_is_their_own():
    """A second fault must not move the first one's chance."""

    def states(*faults):
        found = []

        async def main(clock):
            bench = Bench(replace(Settings(), faults=list(faults)), load_book(), clock, 3)
            bench.power_on()
            line = bench.lines["bus"]
            for _ in range(300):
                await clock.sleep(0.05)
                found.append(bool(line.hurts))
            bench.trace.close()

        run(main, virtual=True)
        return found

    loose, noisy = Fault(CARDS["bus-contact-loose"], {}), Fault(CARDS["kit-ground-missing"], {})
    alone = states(loose)
    assert alone == states(loose) == states(loose, noisy)
    assert 0 < sum(alone) < 300


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 0, 2), (0, 2, 1)])
def test_faults_on_one_attribute_may_end_in_any_order(order):
    class Part:
        def say(self):
            return "good"

    part = Part()
    part.volts = 34
    undos = [all_of(put(part, "say", lambda n=n: f"bad {n}"), put(part, "volts", n)) for n in range(3)]
    lasting = [0, 1, 2]
    for ended in order:
        assert part.say() == f"bad {lasting[-1]}" and part.volts == lasting[-1]
        undos[ended]()
        lasting.remove(ended)
    assert part.say() == "good" and vars(part) == {"volts": 34}
