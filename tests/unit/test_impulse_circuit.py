"""The impulse generator's circuit: energy, an independent solver, and the same bytes for the same shot."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from simulators.impulse.circuit import (
    GRID_S,
    Array,
    Components,
    Wave,
    energy_balance,
    fire,
    fire_linear,
    matrix,
    volts_left,
)
from simulators.impulse.varistor import VIcurve

PARTS = Components()
SPECIMEN = VIcurve(c=219.0, beta=0.04, series_ohm=0.010)
LINK_SIEMENS = 200.0

WAVES = {
    "open": lambda charge_v: fire_linear(PARTS, charge_v, 0.0),
    "link": lambda charge_v: fire_linear(PARTS, charge_v, LINK_SIEMENS),
    "specimen": lambda charge_v: fire(PARTS, charge_v, SPECIMEN),
}


@pytest.mark.parametrize("load", WAVES)
@pytest.mark.parametrize("charge_v", [300.0, 1000.0, 1700.0, 2000.0])
def test_energy_is_kept_within_one_per_cent(load: str, charge_v: float) -> None:
    balance = energy_balance(PARTS, WAVES[load](charge_v))

    assert balance.stored == pytest.approx(0.5 * PARTS.store_f * charge_v**2)
    assert balance.missing() < 0.01


def test_energy_balance_would_show_a_wrong_wave() -> None:
    wave = WAVES["specimen"](1700.0)
    wrong = Wave(wave.charged_v, wave.store_v, wave.series_a * 1.02, wave.terminals_v, wave.load_a)

    assert energy_balance(PARTS, wrong).missing() > 0.01


@settings(max_examples=40, deadline=None)
@given(
    charge_v=st.floats(50, 2000),
    c=st.floats(100, 400),
    beta=st.floats(0.025, 0.08),
    series_ohm=st.floats(0.0, 0.2),
)
def test_energy_is_kept_for_any_varistor(charge_v: float, c: float, beta: float, series_ohm: float) -> None:
    wave = fire(PARTS, charge_v, VIcurve(c, beta, series_ohm))

    assert energy_balance(PARTS, wave).missing() < 0.01
    assert wave.load_energy_j() >= 0


@pytest.mark.parametrize("charge_v", [500.0, 1700.0, 2000.0])
def test_shot_into_a_specimen_agrees_with_an_independent_solver(charge_v: float) -> None:
    """scipy's Radau on the textbook form of the same circuit, the varistor's current by its own inverse."""
    wave = fire(PARTS, charge_v, SPECIMEN)
    v = _solved(charge_v, lambda volts: SPECIMEN.current_behind(volts, 0.0))
    current_a = np.array([SPECIMEN.current_behind(volts, 0.0) for volts in v])

    assert np.max(np.abs(wave.terminals_v - v)) < 0.005 * v.max()
    assert np.max(np.abs(wave.load_a - current_a)) < 0.005 * current_a.max()
    assert wave.terminals_v.max() == pytest.approx(v.max(), rel=5e-4)
    assert wave.load_a.max() == pytest.approx(current_a.max(), rel=5e-4)


@pytest.mark.parametrize("siemens", [0.0, 0.1, 1.0])
def test_linear_shot_agrees_with_an_independent_solver(siemens: float) -> None:
    wave = fire_linear(PARTS, 1700.0, siemens)
    v = _solved(1700.0, lambda volts: siemens * volts)

    assert np.max(np.abs(wave.terminals_v - v)) < 1e-4 * v.max()


def _solved(charge_v: float, current_a: Callable[[float], float]) -> Array:
    times_s = np.arange(10_001) * GRID_S

    def slopes(t: float, x: Array) -> list[float]:
        u, i, v = x
        return [
            -(u / PARTS.tail_ohm + i) / PARTS.store_f,
            (u - PARTS.series_ohm * i - v) / PARTS.series_h,
            (i - v / PARTS.output_ohm - current_a(v)) / PARTS.output_f,
        ]

    solution = solve_ivp(
        slopes, (0, times_s[-1]), [charge_v, 0, 0], "Radau", times_s, rtol=1e-6, atol=1e-6, max_step=2e-6
    )
    assert solution.success
    terminals_v: Array = solution.y[2]
    return terminals_v


def test_charge_goes_where_the_current_goes() -> None:
    """What leaves the store by the inductance is what its resistors and the load have taken."""
    wave = WAVES["specimen"](1700.0)
    through_load = np.trapezoid(wave.load_a, dx=GRID_S)
    through_output = np.trapezoid(wave.terminals_v, dx=GRID_S) / PARTS.output_ohm
    left = PARTS.output_f * wave.terminals_v[-1]

    assert np.trapezoid(wave.series_a, dx=GRID_S) == pytest.approx(
        through_load + through_output + left, rel=2e-3
    )


def test_below_its_knee_a_specimen_is_an_open_circuit() -> None:
    low_v = 100.0

    assert np.array_equal(fire(PARTS, low_v, SPECIMEN).load_a, np.zeros(10_001))
    assert np.allclose(fire(PARTS, low_v, SPECIMEN).terminals_v, fire_linear(PARTS, low_v, 0.0).terminals_v)


def test_same_shot_gives_the_same_bytes() -> None:
    first, second = fire(PARTS, 1700.0, SPECIMEN), fire(PARTS, 1700.0, SPECIMEN)

    assert first.terminals_v.tobytes() == second.terminals_v.tobytes()
    assert first.load_a.tobytes() == second.load_a.tobytes()


def test_nothing_dangerous_is_left_after_a_shot() -> None:
    for load in WAVES.values():
        assert volts_left(PARTS, load(2000.0), 1e-3) < 1.0


def test_matrix_is_that_of_the_drawn_circuit() -> None:
    """Kirchhoff's laws at one arbitrary state, written out."""
    u, i, v = 100.0, 10.0, 30.0
    slopes = matrix(PARTS) @ np.array([u, i, v])

    assert slopes[0] * PARTS.store_f == pytest.approx(-i - u / PARTS.tail_ohm)
    assert slopes[1] * PARTS.series_h == pytest.approx(u - i * PARTS.series_ohm - v)
    assert slopes[2] * PARTS.output_f == pytest.approx(i - v / PARTS.output_ohm)
