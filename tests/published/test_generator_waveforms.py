"""The shipped generator's waves against the tolerances of the 1.2/50 - 8/20 combination wave.

The component values are those of the example's plant file.

Sources, none of them the paid standards' own text:
- front times as 1.67 times the 30-90 % rise (voltage) and 1.25 times the 10-90 % rise (current): a public technical
  note on surge waveforms (niconiconi.neocities.org); the same 1.25 and the virtual origin in the theory page of a
  public virtual laboratory (virtual-labs/exp-parametric-impulse-waveform-iitkgp);
- 1.2 us within 30 %, 50 us within 20 %: a conference paper on lightning impulse wave shapes (vdocuments.site);
- 8 us and 20 us within 20 %, undershoot at most 30 %, 1.18 times the width at half: from memory of IEC 61000-4-5;
- effective impedance of 2 ohm, open-circuit voltage over short-circuit current: 6 kV and 3 kA in several public texts.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import yaml

from simulators.impulse.circuit import GRID_S, Components, fire_linear

Array = npt.NDArray[np.float64]
CHARGE_V = 1700.0
LINK_SIEMENS = 200.0


@dataclass(frozen=True)
class Times:
    """Times of one impulse in microseconds."""

    front: float
    half_from_virtual_origin: float
    width_at_half: float


def crossing_us(wave: Array, level: float, rising: bool) -> float:
    """Where a wave crosses a part of its peak, before or after it, between samples by a straight line."""
    parts, peak = wave / wave.max(), int(np.argmax(wave))
    at = int(np.argmax(parts >= level)) if rising else peak + int(np.argmax(parts[peak:] < level))
    between = (level - parts[at - 1]) / (parts[at] - parts[at - 1])
    return (at - 1 + float(between)) * GRID_S * 1e6


def times(wave: Array, low: float, factor: float, origin: float) -> Times:
    """Front from `low` to 90 % of the peak; the virtual origin lies `origin` fronts before the low crossing."""
    low_us = crossing_us(wave, low, True)
    front_us = factor * (crossing_us(wave, 0.9, True) - low_us)
    half_us = crossing_us(wave, 0.5, False)
    return Times(front_us, half_us - (low_us - origin * front_us), half_us - crossing_us(wave, 0.5, True))


PLANT_FILE = Path(__file__).parents[2] / "sequences" / "library" / "tidewater" / "plant.yaml"
SHIPPED = yaml.safe_load(PLANT_FILE.read_text())["generator"]
PARTS = Components(**{name: float(value) for name, value in SHIPPED.items()})
OPEN = fire_linear(PARTS, CHARGE_V, 0.0).terminals_v
SHORT = fire_linear(PARTS, CHARGE_V, LINK_SIEMENS).load_a


def test_open_circuit_voltage_is_a_1_2_50() -> None:
    found = times(OPEN, low=0.3, factor=1 / 0.6, origin=0.3)

    assert found.front == pytest.approx(1.2, rel=0.30)
    assert found.half_from_virtual_origin == pytest.approx(50, rel=0.20)
    assert found.width_at_half == pytest.approx(50, rel=0.20)


def test_short_circuit_current_is_an_8_20() -> None:
    found = times(SHORT, low=0.1, factor=1.25, origin=0.1)

    assert found.front == pytest.approx(8, rel=0.20)
    assert found.half_from_virtual_origin == pytest.approx(20, rel=0.20)
    assert 1.18 * found.width_at_half == pytest.approx(20, rel=0.20)


def test_both_are_far_from_their_limits() -> None:
    """The model is meant to sit near the nominal values: within a third of each tolerance."""
    voltage = times(OPEN, 0.3, 1 / 0.6, 0.3)
    current = times(SHORT, 0.1, 1.25, 0.1)

    assert voltage.front == pytest.approx(1.2, rel=0.10)
    assert voltage.half_from_virtual_origin == pytest.approx(50, rel=0.067)
    assert current.front == pytest.approx(8, rel=0.067)
    assert current.half_from_virtual_origin == pytest.approx(20, rel=0.067)


def test_undershoot_of_the_current_is_at_most_30_per_cent() -> None:
    assert 0 < -SHORT.min() / SHORT.max() <= 0.30


def test_the_open_circuit_peak_is_the_charging_voltage() -> None:
    """The project's own definition of the set-point, within 2 %; no source."""
    assert OPEN.max() == pytest.approx(CHARGE_V, rel=0.02)
    assert SHORT.max() == pytest.approx(850, rel=0.02)


def test_effective_impedance_is_two_ohms() -> None:
    assert OPEN.max() / SHORT.max() == pytest.approx(2.0, rel=0.10)


def test_a_plain_series_rlc_would_fail_here() -> None:
    """Derived, no source: i = exp(-a t) sin(w t) with a = 0.04162847 and w = 0.12002333 per us is an 8/20 by its
    times, and its reverse swing exp(-pi a / w) = 0.336 is over the limit. The measures above can tell."""
    t_us = np.arange(0, 100, GRID_S * 1e6)
    wave = np.exp(-0.04162847 * t_us) * np.sin(0.12002333 * t_us)
    found = times(wave, 0.1, 1.25, 0.1)

    assert found.front == pytest.approx(8.0, abs=0.001)
    assert found.half_from_virtual_origin == pytest.approx(20.0, abs=0.001)
    assert -wave.min() / wave.max() == pytest.approx(0.33634, abs=1e-4)
    assert -wave.min() / wave.max() > 0.30
