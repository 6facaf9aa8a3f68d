"""The 34 V supply and who restarts by it. Volts by Ohm's law and C = I t / U, by hand."""

import pytest

from benchsim.clock import run
from benchsim.lines import Trace
from benchsim.machine import Supply


def brown_outs(change, seconds=2.0, amps=(0.4, 0.0)):
    """(who, off or on) after `change(supply)`, with board (16 V), host (12 V, behind its own harness) and reader (20 V)."""

    async def main(clock):
        supply, got = Supply(clock, Trace(clock), standby=amps[0]), []
        for seat, own in (("board", 0.0), ("host", 0.7), ("cashless1", 0.0)):
            supply.feed(seat, lambda s=seat: got.append((s, "off")), lambda s=seat: got.append((s, "on")), amps=own)
        change(supply)
        await clock.sleep(seconds)
        return supply, got

    return run(main)


def sag(supply):
    """1.1 A at 18 ohm: 34.4 - 19.8 = 14.6 V of crest, 1.1 V of ripple: 13.5 V, less than board and reader need."""
    supply.ohms = 18.0


def dry(supply):
    """1.1 A and 0.7 mF at 50 Hz: 1.1 / (2 x 50 x 0.0007) = 15.7 V of ripple; 33.85 - 15.7 = 18.1 V: the reader's is 20."""
    supply.farads = 0.0007


def display_harness(supply):
    """0.7 A at 35 ohm: 24.5 V are lost on the way, 32.75 - 24.5 = 8.25 V arrive; the host needs 12."""
    supply.harness("host", 35.0)


def main_harness(supply):
    supply.open = True


@pytest.mark.parametrize(
    ("change", "who"),
    [(sag, {"board", "cashless1"}), (dry, {"cashless1"}), (display_harness, {"host"}),
     (main_harness, {"board", "host", "cashless1"}), (lambda supply: None, set())],
)  # fmt: skip
def test_who_stops(change, who):
    _, got = brown_outs(change)
    assert {seat for seat, what in got} == who and all(what == "off" for _, what in got)


def test_who_stopped_starts_once_it_is_good_again_and_knows_why():
    async def main(clock):
        supply, got = Supply(clock, Trace(clock)), []
        supply.feed("board", lambda: got.append("off"), lambda: got.append("gone" if supply.was_gone("board") else "low"))
        for change, back in ((("open", True), ("open", False)), (("volts", 14.0), ("volts", 34.4))):
            setattr(supply, *change)
            await clock.sleep(1)
            setattr(supply, *back)
            await clock.sleep(0.25)
            assert got[-1] == "off"  # 0.3 s the supply must be good again
            await clock.sleep(0.2)
        return got

    assert run(main) == ["off", "gone", "off", "low"]


def test_who_was_off_before_is_not_switched_on():
    async def main(clock):
        supply, got = Supply(clock, Trace(clock)), []
        supply.feed("host", lambda: got.append("off"), lambda: got.append("on"), powered=lambda: False)
        supply.open = True
        await clock.sleep(1)
        supply.open = False
        await clock.sleep(1)
        return got

    assert run(main) == []


def test_two_volts_are_told():
    """0.4 A to 3.4 A: 1.5 V at 0.5 ohm, and half of 3 V of ripple: the mean falls by 3 V."""

    async def main(clock):
        supply, told = Supply(clock, Trace(clock)), []
        supply.tell = told.append
        supply.draw("load", 1.0)  # 1 V
        await clock.sleep(0.1)
        supply.draw("load", 3.0)
        await clock.sleep(0.1)
        return told

    assert run(main) == [31_000]  # 34.4 - 1.7 crest, 3.4 V of ripple: 32.7 - 1.7


def test_pulses_of_one_name_follow_each_other():
    """Coins at 0, 0.1 and 0.3 s, each for 0.15 s: drawn to 0.25 s, and from 0.3 to 0.45 s."""

    async def main(clock):
        supply, drawn = Supply(clock, Trace(clock), standby=0.0), []
        for at in (0.0, 0.1, 0.3):
            clock.call_at(round(at * 72e6), supply.pulse, "changer", 1.5, 0.15)
        for tenth in range(10):
            await clock.sleep_until(round((0.01 + tenth * 0.05) * 72e6))
            drawn.append(supply.amps)
        return drawn

    assert run(main) == [1.5] * 5 + [0.0] + [1.5] * 3 + [0.0]
