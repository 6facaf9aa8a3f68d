"""The compartment beside scipy's integrator, which gets the same heat flows as they stand in the drawing, and by hand."""

import subprocess
import sys

import pytest
from scipy.integrate import solve_ivp

from benchsim.clock import run
from benchsim.lines import Trace
from benchsim.machine import Cold
from benchsim.machine.cold import BOILING, FAN, LAMPS, Body

B = Body()
# seconds, and what is changed then
DAY = [(0, {"fan": True}), (95.5, {"compressor": True}), (700, {"door_open": True, "fan": False}), (803.25, {"ambient": 31.0}),
       (1000, {"door_open": False, "fan": True}), (2000, {"fan_stopped": True}), (4000, {"compressor_dead": True}),
       (6000, {"fan_stopped": False}), (7200, {})]  # fmt: skip


def slopes(switch, heat):
    """K/s, from watts as the docstring of the compartment draws them."""
    air, product, evaporator = heat
    fan = switch["fan"] and not switch["fan_stopped"]
    to_air = (
        (B.doorway if switch["door_open"] else B.walls) * (switch["ambient"] - air) + LAMPS + (FAN if fan else 0)
        + B.to_product[fan] * (product - air) + B.to_evaporator[fan] * (evaporator - air)
    )  # fmt: skip
    to_product = B.to_product[fan] * (air - product)
    to_evaporator = B.to_evaporator[fan] * (air - evaporator)
    if switch["compressor"] and not switch["compressor_dead"]:
        to_evaporator -= B.to_refrigerant * (evaporator - BOILING)
    return to_air / B.air, to_product / B.product, to_evaporator / B.evaporator


def ours(script, steps=True):
    async def main(clock):
        cold, seen = Cold(clock, Trace(clock), air=4.0), []
        if steps:
            cold.start()
        for at, change in script:
            await clock.sleep_until(round(at * 72_000_000))
            seen.append((cold.air, cold.product, cold.evaporator))
            for name, value in change.items():
                setattr(cold, name, value)
        return seen

    return run(main)


def theirs(script):
    switch = dict.fromkeys(("fan", "compressor", "door_open", "fan_stopped", "compressor_dead"), False) | {"ambient": 25.0}
    heat, seen, since = (4.0, 4.0, 4.0), [], 0
    for at, change in script:
        if at > since:
            done = solve_ivp(lambda t, y: slopes(switch, y), (since, at), heat, method="LSODA", rtol=1e-10, atol=1e-10)
            heat = tuple(done.y[:, -1])
        seen.append(heat)
        switch |= change
        since = at
    return seen


def test_a_day_like_an_integrator_has_it():
    for got, wanted in zip(ours(DAY), theirs(DAY), strict=True):
        assert got == pytest.approx(wanted, abs=1e-5)


def test_without_cooling_everything_ends_where_the_heat_flows_balance():
    """By hand, fan off: 25 °C and the lamps' 10 W through walls of 3.5 W/K: 25 + 10 / 3.5 = 27.857 °C."""
    assert ours([(3_600_000, {})], steps=False)[0] == pytest.approx([27.857] * 3, abs=0.01)


@pytest.mark.parametrize(("fault", "air"), [({}, -14.78), ({"compressor_dead": True}, 32.14), ({"fan_stopped": True}, 12.64)])
def test_where_it_ends_with_everything_on(fault, air):
    """By hand: the watts through the walls and from inside leave through evaporator and refrigerant in series.

    good: 3.5 (25 - T) + 25 = 16.071 (T + 25); dead compressor: 3.5 (25 - T) + 25 = 0;
    stopped fan: 3.5 (25 - T) + 10 = 1.4151 (T + 25)
    """
    script = [(0, {"fan": True, "compressor": True, **fault}), (3_600_000, {})]
    assert ours(script, steps=False)[1][0] == pytest.approx(air, abs=0.01)


def test_what_it_truly_is_is_told():
    async def main(clock):
        trace, told = Trace(clock), []
        trace.listeners.append(type("Ear", (), {"happening": lambda self, h: told.append((h.time // 72_000_000, h.data))})())
        cold = Cold(clock, trace)
        cold.start()
        await clock.sleep(25)
        cold.probe.fault = "open"
        await clock.sleep(6)
        cold.settle(9.0)
        await clock.sleep(60)
        return told

    told = run(main)
    assert told[0] == (0, {"air": 3.0, "product": 3.0, "evaporator": 3.0})
    sensor = [time for time, data in told if data.get("sensor") == "open"]
    assert sensor[0] == 30  # with the next step
    assert (31, {"air": 9.0, "product": 9.0, "evaporator": 9.0, "sensor": "open"}) in told


PRINTED = """
from benchsim.clock import run
from benchsim.lines import Trace
from benchsim.machine import Cold

async def main(clock):
    cold = Cold(clock, Trace(clock))
    cold.fan = cold.compressor = True
    cold.start()
    await clock.sleep(86400.123)
    print(repr((cold.air, cold.product, cold.evaporator, cold.reading)))

run(main)
"""


def test_the_same_bits_in_every_process():
    said = {subprocess.run([sys.executable, "-c", PRINTED], capture_output=True, text=True, check=True).stdout for _ in range(2)}
    assert len(said) == 1 and said != {""}


def test_one_timed_call_in_ten_seconds():
    async def main(clock):
        before = clock._order
        Cold(clock, Trace(clock)).start()
        await clock.sleep(3600)
        return clock._order - before

    assert run(main) <= 362
