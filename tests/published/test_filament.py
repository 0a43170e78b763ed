"""The simulated filament against published figures of tungsten and of lamps."""

import math

import numpy as np
import pytest

from simulators.endurance.filament import COLD_K, Filament
from simulators.endurance.loads import LoadBuild
from simulators.endurance.waves import Circuit, MakeHalf, Scale

LAMP = Filament(110.0, 0.9)
# Resistivity of tungsten in microohm cm, a maker's table (tungsten.com): degC, value.
RESISTIVITY = {227: 10.5, 727: 24.3, 1727: 55.7, 2727: 90.4, 3227: 108.5}
AT_20_CELSIUS = 5.5


@pytest.mark.parametrize("celsius", RESISTIVITY)
def test_resistance_follows_the_table_of_resistivity(celsius: int) -> None:
    ratio = LAMP.ohm(np.array(celsius + 273.15)) / LAMP.ohm(np.array(COLD_K))
    assert ratio == pytest.approx(RESISTIVITY[celsius] / AT_20_CELSIUS, rel=0.03)


def test_inrush_of_a_cold_lamp() -> None:
    """About 14 times (a lamp handbook on the web, lamptech.co.uk), "10 to 15 times" (makers of components)."""
    cold_peak_a = 110 * math.sqrt(2) / LAMP.ohm(np.array(COLD_K))
    assert 12 < cold_peak_a / (0.9 * math.sqrt(2)) < 16


def test_inrush_as_the_recorder_sees_it_when_the_make_meets_the_crest() -> None:
    build = LoadBuild(kind="tungsten", voltage_v=110, frequency_hz=50, current_a=0.9)
    circuit = Circuit(110.0, True, phase=math.pi / 2, filament_k=COLD_K)
    half = MakeHalf(circuit, build, LAMP, Scale(1.0, 1.0, 1e-4), 300, made_at=0)
    volts, amperes = np.zeros(300, np.float32), np.zeros(300, np.float32)
    half.fill(volts, amperes, 0, (), 0.0)
    assert 10 < np.abs(amperes).max() / (0.9 * math.sqrt(2)) < 15
    assert np.abs(amperes[200:]).max() < 0.25 * np.abs(amperes).max(), "within two periods it glows"


def test_a_hot_lamp_takes_less_inrush() -> None:
    off_s = [0.05, 0.5, 2.0, 20.0]
    ohms = [float(LAMP.ohm(np.array(LAMP.cooled_k(2750.0, at_s)))) for at_s in off_s]
    assert ohms == sorted(ohms, reverse=True)
    assert ohms[-1] == pytest.approx(float(LAMP.ohm(np.array(COLD_K))), rel=0.02), "cold again after 20 s"
