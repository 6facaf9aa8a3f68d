"""Coils, wiring, delivery: outcomes of faults made by hand. Times: a turn 1.4 s, a look of 0.6 s (common practice)."""

import math

import pytest

from benchsim.clock import run
from benchsim.lines import Trace
from benchsim.machine import Coils, LightCurtain, Supply


class Bench:
    def __init__(self, clock, spread=0):
        self.clock, self.trace, self.told, self.outcomes = clock, Trace(clock), [], []
        self.trace.listeners.append(self)
        self.coils = Coils(clock, self.trace, 3, 4)

    def happening(self, h):
        self.told.append(h)

    def drops(self):
        return [(h.data["row"], h.data["column"]) for h in self.told if h.kind == "drop"]

    def started(self):
        return [(h.data["row"], h.data["column"]) for h in self.told if h.kind == "coil" and h.data["state"] == "start"]


def vend(change, row=1, column=2, seconds=8):
    """(outcome, what fell, what turned, when it was over in seconds) of one VEND after `change(coils)`."""

    async def main(clock):
        bench = Bench(clock)
        change(bench.coils)
        bench.coils.turn(row, column, lambda outcome: bench.outcomes.append((outcome, clock.now() / 72e6)))
        await clock.sleep(seconds)
        bench.trace.close()
        ((outcome, over),) = bench.outcomes
        return outcome, bench.drops(), bench.started(), round(over, 6)

    return run(main)


AT = (1, 2)
CASES = {
    "good": (lambda c: None, (0, [AT], [AT], 2.0)),
    "empty": (lambda c: c.empty.add(AT), (1, [], [AT], 2.0)),
    "jammed": (lambda c: c.jammed.add(AT), (2, [], [AT], 1.4)),
    "missing": (lambda c: c.missing.add(AT), (2, [], [], 1.4)),
    "held midway": (lambda c: c.stalls.update({AT: 0.5}), (3, [], [AT], 3.5)),
    "switch stuck closed": (lambda c: c.switch.update({AT: "closed"}), (2, [AT], [AT], 1.4)),
    "switch stuck open": (lambda c: c.switch.update({AT: "open"}), (3, [AT, AT], [AT], 3.5)),
    "column open": (lambda c: c.wiring.open_columns.add(2), (2, [], [], 1.4)),
    "rows swapped": (lambda c: c.wiring.swap_rows(0, 1), (0, [(0, 2)], [(0, 2)], 2.0)),
    "columns swapped": (lambda c: c.wiring.swap_columns(2, 3), (0, [(1, 3)], [(1, 3)], 2.0)),
    "short": (lambda c: c.wiring.shorted_rows.add(1), (0, [AT, (2, 2)], [AT, (2, 2)], 2.0)),
    "connectors exchanged": (lambda c: setattr(c.wiring, "exchanged", True), (2, [], [], 1.4)),
    "curtain blind": (lambda c: setattr(c.curtain, "fault", "blind"), (1, [AT], [AT], 2.0)),
    "curtain blocked": (lambda c: setattr(c.curtain, "fault", "blocked"), (1, [AT], [AT], 2.0)),
    "curtain unplugged": (lambda c: setattr(c.curtain, "fault", "unplugged"), (1, [AT], [AT], 2.0)),
}


@pytest.mark.parametrize("name", CASES)
def test_outcome_follows_from_the_cause(name):
    change, expected = CASES[name]
    assert vend(change) == expected


SURVEYS = {
    "good": (lambda c: None, [15, 15, 15]),
    "missing": (lambda c: c.missing.add((1, 2)), [15, 11, 15]),
    "jammed is there": (lambda c: c.jammed.add((1, 2)), [15, 15, 15]),
    "open column": (lambda c: c.wiring.open_columns.add(0), [14, 14, 14]),
    "a short hides a missing coil": (lambda c: (c.missing.add((1, 2)), c.wiring.shorted_rows.add(1)), [15, 15, 15]),
    "swapped rows": (lambda c: (c.missing.add((1, 2)), c.wiring.swap_rows(0, 1)), [11, 15, 15]),
    "exchanged": (lambda c: setattr(c.wiring, "exchanged", True), [0, 0, 0]),
}


@pytest.mark.parametrize("name", SURVEYS)
def test_survey_finds_what_gets_current(name):
    change, rows = SURVEYS[name]

    async def main(clock):
        bench, found = Bench(clock), []
        change(bench.coils)
        bench.coils.survey(lambda got: found.append((got, clock.now())))
        await clock.sleep(1)
        return found

    assert run(main) == [(rows, 12 * 1_440_000)]  # twelve pulses of 20 ms


def test_free_fall():
    """By hand: the lowest row is 0.25 m above the light: t = sqrt(2 x 0.25 / 9.81) = 0.22576 s."""
    curtain = LightCurtain(None, 3)
    assert math.isclose(curtain.fall_s(2), 0.22576, abs_tol=1e-5)
    assert math.isclose(curtain.shade_s(2), 0.05 / (9.81 * 0.22576), rel_tol=1e-4)


def test_supply_by_ohms_law():
    """34.4 V, 0.5 ohm, 0.4 A + 1.6 A: 33.4 V crest; 2 A / (2 x 50 Hz x 0.01 F) = 2 V of ripple; valley 31.4 V."""

    async def main(clock):
        supply = Supply(clock, Trace(clock))
        supply.draw("load", 1.6)
        return supply.crest, supply.valley, supply.millivolts

    assert run(main) == pytest.approx((33.4, 31.4, 32400))


@pytest.mark.parametrize(("seconds", "calls"), [(0.004, []), (0.05, ["off", "on"])])
def test_brown_out_takes_longer_than_the_hold_up(seconds, calls):
    """2 ohm, 8.4 A: 34.4 - 16.8 = 17.6 V crest, 8.4 V of ripple: 9.2 V in the valley, below 16 V."""

    async def main(clock):
        supply, got = Supply(clock, Trace(clock), ohms=2.0), []
        supply.feed("board", lambda: got.append("off"), lambda: got.append("on"))
        supply.pulse("load", 8.0, seconds)
        await clock.sleep(1)
        return got

    assert run(main) == calls
