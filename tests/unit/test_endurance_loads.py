"""Currents of the simulated loads against integration by a reference library (scipy), and energies that add up."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp, trapezoid

from simulators.endurance.filament import COLD_K, Filament, heat_course_s
from simulators.endurance.loads import (
    ARC_V,
    ARC_V_PER_S,
    LoadBuild,
    alternating_current_a,
    direct_arc,
    direct_current_a,
)

EXACT = {"rtol": 1e-9, "atol": 1e-12, "dense_output": True}
LAMP = Filament(110.0, 0.9)
OMEGA = 2 * math.pi * 50


def test_motor_against_integration() -> None:
    build = LoadBuild()
    te, tm, q = build.electrical_s, build.mechanical_s, build.inrush
    beta = 1 / (q * tm)

    def slopes(at_s: float, state: np.ndarray) -> list[float]:
        current, back = state
        return [(1 - current - back) / te, (q - 1) * beta * current - beta * back]

    times_s = np.linspace(0, 0.4, 500)
    course = solve_ivp(slopes, (0, 0.4), [0, 0], **EXACT).sol(times_s)[0]
    assert direct_current_a(build, times_s) == pytest.approx(course * q * build.current_a, abs=1e-5)


def test_a_motor_starts_with_its_inrush_and_settles_at_its_rated_current() -> None:
    build = LoadBuild(inrush=6.0, current_a=3.6)
    current_a = direct_current_a(build, np.linspace(0, 2, 20_000))
    assert 5 < current_a.max() / 3.6 < 6, "a little below 6 by its inductance"
    assert current_a[-1] == pytest.approx(3.6, rel=1e-3)


def test_inductive_direct_against_integration() -> None:
    build = LoadBuild(kind="inductive", electrical_s=5e-3)
    times_s = np.linspace(0, 0.03, 300)
    course = solve_ivp(lambda at_s, i: (24 - i * build.ohm) / (build.ohm * 5e-3), (0, 0.03), [0.0], **EXACT)
    assert direct_current_a(build, times_s) == pytest.approx(course.sol(times_s)[0], abs=1e-6)


@pytest.mark.parametrize("phase", [0.0, 0.7, math.pi / 2, 4.0])
def test_inductive_alternating_against_integration(phase: float) -> None:
    build = LoadBuild(kind="inductive", voltage_v=110, current_a=0.9, frequency_hz=50, electrical_s=5e-3)
    impedance = build.ohm
    ohm = impedance / math.hypot(1, OMEGA * 5e-3)
    times_s = np.linspace(0, 0.06, 600)

    def slope(at_s: float, i: np.ndarray) -> np.ndarray:
        return (110 * math.sqrt(2) * math.sin(phase + OMEGA * at_s) - ohm * i) / (ohm * 5e-3)

    course = solve_ivp(slope, (0, 0.06), [0.0], **EXACT, max_step=1e-3)
    assert alternating_current_a(build, phase, times_s) == pytest.approx(course.sol(times_s)[0], abs=1e-5)


@pytest.mark.parametrize("kind", ["motor", "inductive", "resistive"])
def test_an_arc_against_integration(kind: str) -> None:
    build = LoadBuild(kind=kind, electrical_s=1e-3)
    arc = direct_arc(build, 24.0, 3.6)
    ohm = 24 / 3.6 / (build.inrush if kind == "motor" else 1.0)
    tau_s = 1e-6 if kind == "resistive" else 1e-3

    def slope(at_s: float, i: np.ndarray) -> np.ndarray:
        return (ohm * 3.6 - ohm * i - ARC_V - ARC_V_PER_S * at_s) / (ohm * tau_s)

    times_s = np.linspace(0, arc.time_s, arc.current_a.size)
    course = solve_ivp(slope, (0, arc.time_s), [3.6], **EXACT, method="LSODA").sol(times_s)[0]
    assert arc.current_a[1:] == pytest.approx(course[1:], abs=0.02)
    assert arc.current_a[-1] == pytest.approx(0, abs=0.02)
    assert 1e-4 < arc.time_s < 4e-3


def test_energy_of_an_arc_is_what_supply_and_inductance_give_less_what_the_resistance_takes() -> None:
    build = LoadBuild(kind="inductive", electrical_s=2e-3)
    arc = direct_arc(build, 24.0, 3.6)
    times_s = np.linspace(0, arc.time_s, arc.current_a.size)
    stored_j = 0.5 * build.ohm * 2e-3 * 3.6**2
    given_j = trapezoid(24.0 * arc.current_a, times_s) + stored_j
    taken_j = trapezoid(arc.voltage_v * arc.current_a + build.ohm * arc.current_a**2, times_s)
    assert taken_j == pytest.approx(given_j, rel=1e-3)


def test_no_arc_below_the_arc_voltage_or_its_least_current() -> None:
    assert direct_arc(LoadBuild(), 5.0, 3.6).time_s == 0
    assert direct_arc(LoadBuild(), 24.0, 0.3).time_s == 0


def test_filament_on_direct_voltage_against_integration() -> None:
    def slope(at_s: float, kelvin: np.ndarray) -> np.ndarray:
        return (110.0**2 / LAMP.ohm(kelvin) - LAMP.loss_w(kelvin)) / LAMP.heat_j_per_k

    times_s = np.linspace(0, 0.3, 60)
    course = solve_ivp(slope, (0, 0.3), [COLD_K], **EXACT).sol(times_s)[0]
    heated_k = [LAMP.heated_k(COLD_K, at_s) for at_s in times_s]
    assert heated_k == pytest.approx(course.tolist(), rel=2e-3)


@pytest.mark.parametrize("phase", [0.0, 1.0, math.pi / 2])
@pytest.mark.parametrize("from_k", [COLD_K, 1000.0])
def test_filament_on_alternating_voltage_against_integration(phase: float, from_k: float) -> None:
    def slope(at_s: float, kelvin: np.ndarray) -> np.ndarray:
        u = 110 * math.sqrt(2) * math.sin(phase + OMEGA * at_s)
        return (u * u / LAMP.ohm(kelvin) - LAMP.loss_w(kelvin)) / LAMP.heat_j_per_k

    times_s = np.linspace(0, 0.03, 300)
    kelvin = solve_ivp(slope, (0, 0.03), [from_k], **EXACT, max_step=5e-4).sol(times_s)[0]
    given = LAMP.conductances(from_k, heat_course_s(phase, OMEGA, times_s))
    assert given == pytest.approx(1 / LAMP.ohm(kelvin), rel=0.03)


def test_filament_cooling_against_integration() -> None:
    def slope(at_s: float, kelvin: np.ndarray) -> np.ndarray:
        return -LAMP.loss_w(kelvin) / LAMP.heat_j_per_k

    times_s = np.linspace(0, 5, 50)
    course = solve_ivp(slope, (0, 5), [2700.0], **EXACT).sol(times_s)[0]
    assert [LAMP.cooled_k(2700.0, at_s) for at_s in times_s] == pytest.approx(course.tolist(), rel=2e-3)


def test_energy_of_a_filament_that_heats_up() -> None:
    times_s = np.linspace(0, 0.2, 20_001)
    kelvin = np.array([LAMP.heated_k(COLD_K, at_s) for at_s in times_s])
    given_j = trapezoid(110**2 / LAMP.ohm(kelvin), times_s)
    kept_j = LAMP.heat_j_per_k * (kelvin[-1] - COLD_K)
    assert given_j == pytest.approx(kept_j + trapezoid(LAMP.loss_w(kelvin), times_s), rel=5e-3)


def test_heat_course_is_the_integral_of_the_square() -> None:
    times_s = np.linspace(0, 0.05, 5001)
    square = 2 * np.sin(0.4 + OMEGA * times_s) ** 2
    assert heat_course_s(0.4, OMEGA, times_s)[-1] == pytest.approx(trapezoid(square, times_s), rel=1e-6)


def test_a_load_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        LoadBuild(current_a=0.0)
