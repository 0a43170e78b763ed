"""Motion in closed form against the formulas of the trapezoidal profile and against integration by another library."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid

from simulators.endurance.path import at_rest, slowing, stroke

places = st.floats(-100, 100)
speeds = st.floats(1, 1000)
accelerations = st.floats(100, 20_000)


@pytest.mark.parametrize(
    ("way_mm", "speed_mm_s", "time_s"),
    [
        (17.0, 120.0, 17 / 120 + 120 / 4000),  # trapezoid: s/v + v/a
        (3.6, 120.0, 2 * 120 / 4000),  # just reaches its speed: 2 v/a, s = v^2/a
        (1.6, 120.0, 2 * math.sqrt(1.6 / 4000)),  # triangle: 2 sqrt(s/a)
    ],
)
def test_time_of_a_stroke(way_mm: float, speed_mm_s: float, time_s: float) -> None:
    path = stroke(5.0, 5.0 - way_mm, speed_mm_s, 4000.0)
    assert path.time_s == pytest.approx(time_s, rel=1e-12)
    assert path.position_mm(path.time_s / 2) == pytest.approx(5.0 - way_mm / 2)


@settings(max_examples=40)
@given(places, places, speeds, accelerations)
def test_position_is_the_integral_of_speed_and_speed_keeps_its_limits(
    from_mm: float, to_mm: float, speed_mm_s: float, acceleration: float
) -> None:
    path = stroke(from_mm, to_mm, speed_mm_s, acceleration)
    times_s = np.linspace(0, path.time_s, 801)
    speed = np.array([path.speed_mm_s(at_s) for at_s in times_s])
    position = np.array([path.position_mm(at_s) for at_s in times_s])

    assert np.abs(speed).max() <= speed_mm_s * (1 + 1e-9)
    assert position[-1] == pytest.approx(to_mm)
    travelled = from_mm + cumulative_trapezoid(speed, times_s, initial=0)
    assert position == pytest.approx(travelled, abs=max(2e-3 * abs(to_mm - from_mm), 1e-6))
    if path.time_s > 0:
        assert np.abs(np.diff(speed)).max() <= acceleration * times_s[1] * (1 + 1e-6) + 1e-9


@given(places, places, speeds, accelerations, st.floats(0, 1))
def test_it_is_at_a_level_when_it_reaches_it(
    from_mm: float, to_mm: float, speed_mm_s: float, acceleration: float, part: float
) -> None:
    path = stroke(from_mm, to_mm, speed_mm_s, acceleration)
    level_mm = float(np.clip(from_mm + part * (to_mm - from_mm), *sorted((from_mm, to_mm))))
    at_s = path.reaches_s(level_mm)
    assert 0 <= at_s <= path.time_s
    assert path.position_mm(at_s) == pytest.approx(level_mm, abs=1e-6)


def test_levels_beside_the_way_are_never_reached() -> None:
    path = stroke(5.0, -12.0, 120.0, 4000.0)
    assert path.reaches_s(5.1) == path.reaches_s(-12.1) == math.inf
    assert path.reaches_s(-5.6) < path.reaches_s(-5.8)


@given(places, st.floats(-500, 500), accelerations)
def test_slowing_takes_the_shortest_way(from_mm: float, speed_mm_s: float, deceleration: float) -> None:
    path = slowing(from_mm, speed_mm_s, deceleration)
    assert path.time_s == pytest.approx(abs(speed_mm_s) / deceleration)
    assert path.to_mm - from_mm == pytest.approx(speed_mm_s * abs(speed_mm_s) / (2 * deceleration), abs=1e-9)
    assert path.speed_mm_s(path.time_s) == 0


def test_the_same_stroke_is_the_same_object() -> None:
    assert stroke(5.0, -12.0, 120.0, 4000.0) is stroke(5.0, -12.0, 120.0, 4000.0)
    assert at_rest(3.0).position_mm(7.0) == 3.0
    assert stroke(3.0, 3.0, 120.0, 4000.0).time_s == 0
