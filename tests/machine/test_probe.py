"""The thermistor beside the resistance table of its kind."""

import math

import pytest

from benchsim.machine.probe import Probe, celsius_at, ohms_at

# Ohms by °C of the usual 10 kilohm thermistor ("10K type 2" in building controls), from memory; it agrees within 0.02 %
# with the Steinhart-Hart equation (1968) and the coefficients published for it: 1.129148e-3, 2.34125e-4, 8.76741e-8.
TABLE = {-10: 55_330, -5: 42_320, 0: 32_654, 5: 25_396, 10: 19_903, 15: 15_714, 20: 12_493, 25: 10_000, 30: 8_056}


@pytest.mark.parametrize("celsius", TABLE)
def test_within_a_fifth_of_a_degree_of_the_table(celsius):
    assert abs(celsius_at(TABLE[celsius]) - celsius) <= 0.2
    assert math.isclose(ohms_at(celsius), TABLE[celsius], rel_tol=0.01)


@pytest.mark.parametrize("celsius", TABLE)
def test_the_table_by_steinhart_and_hart(celsius):
    """1/T = A + B ln R + C (ln R)^3: the table was remembered rightly."""
    ln = math.log(TABLE[celsius])
    assert abs(1 / (1.129148e-3 + 2.34125e-4 * ln + 8.76741e-8 * ln**3) - 273.15 - celsius) < 0.02


@pytest.mark.parametrize(("fault", "read"), [("", 4.0), ("open", None), ("short", None)])
def test_open_and_short_are_told_from_air(fault, read):
    probe = Probe()
    probe.fault = fault
    assert celsius_at(probe.ohms(4.0)) == (read and pytest.approx(read))


@pytest.mark.parametrize("air", [-35, 0, 50, 100])
def test_no_air_is_taken_for_a_broken_sensor(air):
    assert celsius_at(Probe().ohms(air)) == pytest.approx(air)


def test_a_sensor_in_a_wrong_place():
    probe = Probe()
    probe.astray = -2.5
    assert celsius_at(probe.ohms(6.0)) == pytest.approx(3.5)
