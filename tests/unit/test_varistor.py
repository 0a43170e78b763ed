"""The specimen: its curve, its ageing, its end, and the cloth above it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.impulse.cloth import STATES, Cloth
from simulators.impulse.varistor import Kind, Varistor, VIcurve

CURVE = VIcurve(c=219.0, beta=0.04, series_ohm=0.010)
SHOT_J = 3.2


def specimen(seed: int = 1, **changes: float) -> Varistor:
    return Varistor(Kind(**changes), 1, np.random.default_rng(seed), 23.0)


@given(open_v=st.floats(-5000, 5000), source_ohm=st.floats(1e-3, 1e3))
def test_current_behind_a_source_solves_the_circuit(open_v: float, source_ohm: float) -> None:
    current_a = CURVE.current_behind(open_v, source_ohm)

    if abs(current_a) > 1e-9:
        assert CURVE.volts(current_a) + source_ohm * current_a == pytest.approx(open_v, rel=1e-6)
    else:
        assert abs(open_v) <= CURVE.volts(2e-9)


@given(amperes=st.floats(1e-6, 5000))
def test_curve_is_odd_and_rises(amperes: float) -> None:
    assert CURVE.volts(-amperes) == -CURVE.volts(amperes)
    assert CURVE.volts(amperes * 1.01) > CURVE.volts(amperes)


def test_leakage_at_60_volts_is_some_hundred_microamperes() -> None:
    leakages_a = [specimen(seed).leakage_a(60.0) for seed in range(200)]

    assert 85e-6 < min(leakages_a) < max(leakages_a) < 120e-6
    assert np.std(leakages_a) > 3e-6


def test_leakage_rises_steeply_where_the_varistor_begins_to_conduct() -> None:
    one = specimen()
    ohmic_a = 200.0 / one.leak_ohm

    assert one.leakage_a(200.0) > 100 * ohmic_a
    assert one.leakage_a(-60.0) == -one.leakage_a(60.0)


def test_twelve_shots_shift_the_limiting_voltage_by_one_to_two_per_cent() -> None:
    one = specimen()
    before_v, before_a = one.curve(1).volts(690.0), one.leakage_a(60.0)
    for shot in range(12):
        one.take(SHOT_J, 45.0 * shot)
    shift = one.curve(1).volts(690.0) / before_v - 1

    assert -0.02 < shift < -0.01
    assert 1.1 < one.leakage_a(60.0) / before_a < 1.5
    assert not one.failed


def test_shots_without_a_rest_overheat_it() -> None:
    one = specimen()
    shots = 0
    while not one.failed:
        one.take(SHOT_J, 1.0 * shots)
        shots += 1
        assert shots < 100

    assert shots > 12
    assert one.leakage_a(60.0) > 100
    assert one.celsius(1.0 * shots) > 150
    assert one.celsius(1.0 * shots + 3600) == pytest.approx(23.0, abs=0.1)


def test_cloth_glows_late_and_only_gets_worse() -> None:
    cloth = Cloth(scorch_j=8.0)
    cloth.glows_at_shot = 8
    cloth.take(7, SHOT_J, False, 100.0)
    assert cloth.due_s == math.inf

    cloth.take(8, SHOT_J, False, 200.0)
    assert cloth.due_s == 204.0
    assert not cloth.advance(203.9) and cloth.state == "unmarked"
    assert cloth.advance(204.0) and cloth.state == "glowing"

    cloth.take(9, 9.0, False, 300.0)
    assert not cloth.advance(300.0) and cloth.state == "glowing"
    cloth.take(10, SHOT_J, True, 400.0)
    assert cloth.advance(401.0) and cloth.state == "burning"


def test_much_energy_scorches_the_cloth() -> None:
    cloth = Cloth(scorch_j=8.0)
    cloth.take(1, 8.5, False, 10.0)

    assert cloth.advance(10.0) and cloth.state == "scorched"
    cloth.put("unmarked")
    assert cloth.state == "unmarked" and cloth.due_s == math.inf


def test_a_forgotten_cloth_shows_nothing() -> None:
    cloth = Cloth(scorch_j=8.0)
    cloth.put("none")
    cloth.take(1, 100.0, True, 0.0)

    assert not cloth.advance(10.0)
    assert cloth.state == "none"
    assert STATES[0] == "none"
