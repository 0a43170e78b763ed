"""The impulse generator as one circuit with its load in it.

    store C -- switch --+-- Rm -- L --+------+------+
                        |             |      |      |
                        R1            R2     C2    load: nothing, a link, or a specimen
                        |             |      |      |
    ====================+=============+======+======+

State x = (u, i, v): volts on the store, amperes through the inductance, volts at the terminals. With the load's
current j(v) the whole is one ordinary differential equation, x' = A x - j(v) / C2 in the last row. The component
values are fixed; open-circuit and short-circuit waves come out of them, they are not put in.

Where the load is linear the solution is exact (matrix exponential on the time grid, and proportional to the
charging voltage). A specimen is linear (no current) below its knee; above it the step is BDF2 with a Newton
iteration for the one non-linear current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GRID_S = 1e-8
GRID_POINTS = 10_001
"""The wave is kept for 100 us at 100 MHz."""


@dataclass(frozen=True, slots=True)
class Components:
    """Component values in SI units."""

    store_f: float = 6.8e-6
    tail_ohm: float = 29.7
    series_ohm: float = 0.90
    series_h: float = 9.7e-6
    output_ohm: float = 17.4
    output_f: float = 18.6e-9


class NonLinearLoad(Protocol):
    """A load whose current depends on the voltage at its terminals alone, odd in it and rising with it."""

    def knee_v(self) -> float:
        """Below this magnitude the current is negligible."""

    def current_behind(self, open_v: float, source_ohm: float) -> float:
        """Its current at a source of `open_v` behind `source_ohm`."""


@dataclass(frozen=True)
class Wave:
    """One shot on the time grid, for a positive charge: store, inductance, terminals, load; and what was charged."""

    charged_v: float
    store_v: Array
    series_a: Array
    terminals_v: Array
    load_a: Array

    def times_s(self) -> Array:
        """Seconds since the trigger, one for each sample."""
        return np.arange(self.store_v.size, dtype=np.float64) * GRID_S

    def load_energy_j(self) -> float:
        """Integral of v i dt at the load, in joules."""
        return float(np.sum(self.terminals_v * self.load_a)) * GRID_S

    def scaled(self, factor: float) -> Wave:
        """The same wave for another charge; true for linear loads alone."""
        parts = (self.store_v, self.series_a, self.terminals_v, self.load_a)
        return Wave(self.charged_v * factor, *(part * factor for part in parts))


def matrix(parts: Components, load_siemens: float = 0.0) -> Array:
    """A of x' = A x, in SI units, with a linear load's conductance in it."""
    return np.array(
        [
            [-1 / (parts.tail_ohm * parts.store_f), -1 / parts.store_f, 0.0],
            [1 / parts.series_h, -parts.series_ohm / parts.series_h, -1 / parts.series_h],
            [0.0, 1 / parts.output_f, -(1 / parts.output_ohm + load_siemens) / parts.output_f],
        ]
    )


@lru_cache(maxsize=64)
def propagators(parts: Components, load_siemens: float = 0.0) -> Array:
    """exp(A k dt) for each point k of the grid: 3 x 3 x GRID_POINTS, exact by eigenvalues."""
    roots, modes = np.linalg.eig(matrix(parts, load_siemens).astype(complex))
    growth = np.exp(np.outer(roots, np.arange(GRID_POINTS) * GRID_S))
    return np.ascontiguousarray(np.real(np.einsum("ik,kn,kj->ijn", modes, growth, np.linalg.inv(modes))))


@lru_cache(maxsize=64)
def _unit_wave(parts: Components, load_siemens: float) -> Wave:
    store_v, series_a, terminals_v = propagators(parts, load_siemens)[:, 0]
    return Wave(1.0, store_v, series_a, terminals_v, terminals_v * load_siemens)


def fire_linear(parts: Components, charged_v: float, load_siemens: float) -> Wave:
    """A shot into nothing (0 siemens) or into a conductance."""
    return _unit_wave(parts, load_siemens).scaled(charged_v)


def fire(parts: Components, charged_v: float, load: NonLinearLoad) -> Wave:
    """A shot into a specimen."""
    states = np.empty((3, GRID_POINTS))
    load_a = np.zeros(GRID_POINTS)
    at, x = 0, (charged_v, 0.0, 0.0)
    while at < GRID_POINTS - 1:
        at, x = _rest(parts, load, states, at, x)
        if at < GRID_POINTS - 1:
            at, x = _conduct(parts, load, states, load_a, at, x)
    return Wave(charged_v, states[0], states[1], states[2], load_a)


State = tuple[float, float, float]


def _rest(parts: Components, load: NonLinearLoad, states: Array, at: int, x: State) -> tuple[int, State]:
    """Fill in the exact linear solution from point `at` until the knee is passed; where, and the state there."""
    columns = propagators(parts)[:, :, : GRID_POINTS - at]
    beyond = np.abs(_combined(columns[2], x)) > load.knee_v()
    beyond[0] = False
    length = int(np.argmax(beyond)) if beyond.any() else beyond.size - 1
    for row in range(3):
        states[row, at : at + length + 1] = _combined(columns[row, :, : length + 1], x)
    u, i, v = states[:, at + length]
    return at + length, (float(u), float(i), float(v))


def _combined(columns: Array, x: State) -> Array:
    """One row of the propagators times a state; elementwise, so that no threads of a BLAS have a say."""
    row: Array = columns[0] * x[0] + columns[1] * x[1] + columns[2] * x[2]
    return row


@dataclass(frozen=True, slots=True)
class _Step:
    """One BDF2 step, solved for the new state but for the load's current: x = M (a x1 + b x0) - j m."""

    newer: float
    older: float
    rows: tuple[tuple[float, float, float], ...]
    load: State


@lru_cache(maxsize=8)
def _steps(parts: Components) -> dict[tuple[int, int], _Step]:
    """The steps met so far with these components."""
    return {}


def _step(parts: Components, points: int, before: int) -> _Step:
    """The step of `points` grid points after one of `before`; with `before` 0 it is backward Euler."""
    h, ratio = points * GRID_S, points / before if before else 0.0
    weight = (1 + ratio) / (1 + 2 * ratio)
    inverse = np.linalg.inv(np.eye(3) - weight * h * matrix(parts))
    m = inverse[:, 2] * (weight * h / parts.output_f)
    rows = tuple((float(r[0]), float(r[1]), float(r[2])) for r in inverse)
    return _Step(
        newer=(1 + ratio) ** 2 / (1 + 2 * ratio),
        older=ratio**2 / (1 + 2 * ratio),
        rows=rows,
        load=(float(m[0]), float(m[1]), float(m[2])),
    )


START_POINTS, START_STEPS = 1, 24
WIDEN_STEPS = 8
WIDEST_POINTS = 24
FADING = 0.04
"""Below this part of the highest current the steps become short again, for the turn-off."""
FADING_POINTS = 3


def _conduct(
    parts: Components, load: NonLinearLoad, states: Array, load_a: Array, at: int, x: State
) -> tuple[int, State]:
    """Step through conduction from point `at` until the specimen is below its knee again, or the grid ends."""
    places, xs, currents = [at], [x], [0.0]
    older, before, points, count, highest_a = x, 0, START_POINTS, 0, 0.0
    knee_v, last, steps = load.knee_v(), GRID_POINTS - 1, _steps(parts)
    while at < last:
        points = _next_points(points, count, abs(currents[-1]) < FADING * highest_a, last - at)
        if (points, before) not in steps:
            steps[points, before] = _step(parts, points, before)
        new, j = _advance(steps[points, before], x, older, load)
        older, x, before = x, new, points
        at, count = at + points, count + 1
        highest_a = max(highest_a, abs(j))
        places.append(at)
        xs.append(x)
        currents.append(j)
        if abs(x[2]) < knee_v and count > 2:
            break
    _fill(states, load_a, places, xs, currents)
    return at, x


def _next_points(points: int, count: int, is_fading: bool, left: int) -> int:
    if count < START_STEPS:
        wanted = START_POINTS
    elif is_fading:
        wanted = FADING_POINTS
    elif count % WIDEN_STEPS == 0:
        wanted = min(2 * points, WIDEST_POINTS)
    else:
        wanted = points
    return min(wanted, left)


def _advance(step: _Step, x: State, older: State, load: NonLinearLoad) -> tuple[State, float]:
    a, b = step.newer, step.older
    p, q, r = a * x[0] - b * older[0], a * x[1] - b * older[1], a * x[2] - b * older[2]
    (u0, u1, u2), (i0, i1, i2), (v0, v1, v2) = step.rows
    m = step.load
    j = load.current_behind(v0 * p + v1 * q + v2 * r, m[2])
    return (
        u0 * p + u1 * q + u2 * r - m[0] * j,
        i0 * p + i1 * q + i2 * r - m[1] * j,
        v0 * p + v1 * q + v2 * r - m[2] * j,
    ), j


def _fill(states: Array, load_a: Array, places: list[int], xs: list[State], currents: list[float]) -> None:
    """Straight lines between the steps; a step is short against the wave's curvature."""
    first, last = places[0], places[-1]
    grid = np.arange(first, last + 1)
    columns = np.array(xs)
    for row in range(3):
        states[row, first : last + 1] = np.interp(grid, places, columns[:, row])
    load_a[first : last + 1] = np.interp(grid, places, currents)


@dataclass(frozen=True, slots=True)
class Balance:
    """Where the store's energy went, in joules, until the end of the wave."""

    stored: float
    tail_resistor: float
    series_resistor: float
    output_resistor: float
    load: float
    left_over: float

    def missing(self) -> float:
        """The part of the stored energy that the balance does not account for."""
        spent = self.tail_resistor + self.series_resistor + self.output_resistor + self.load + self.left_over
        return abs(self.stored - spent) / self.stored


def energy_balance(parts: Components, wave: Wave) -> Balance:
    """The balance of one shot, by the trapezoidal rule on the grid."""

    def integral(power_w: Array) -> float:
        return float(np.trapezoid(power_w, dx=GRID_S))

    u, i, v = wave.store_v[-1], wave.series_a[-1], wave.terminals_v[-1]
    return Balance(
        stored=0.5 * parts.store_f * wave.charged_v**2,
        tail_resistor=integral(wave.store_v**2) / parts.tail_ohm,
        series_resistor=integral(wave.series_a**2) * parts.series_ohm,
        output_resistor=integral(wave.terminals_v**2) / parts.output_ohm,
        load=integral(wave.terminals_v * wave.load_a),
        left_over=float(
            0.5 * parts.store_f * u**2 + 0.5 * parts.series_h * i**2 + 0.5 * parts.output_f * v**2
        ),
    )


def volts_left(parts: Components, wave: Wave, for_s: float) -> float:
    """Store voltage `for_s` after the end of the wave, the load below its knee; the switch conducts all that time."""
    roots, modes, inverse = _modes(parts)
    amplitudes = inverse @ np.array([wave.store_v[-1], wave.series_a[-1], wave.terminals_v[-1]])
    return math.fabs(float(np.sum(modes[0] * np.exp(roots * for_s) * amplitudes).real))


@lru_cache(maxsize=64)
def _modes(parts: Components) -> tuple[npt.NDArray[np.complex128], ...]:
    roots, modes = np.linalg.eig(matrix(parts).astype(complex))
    return roots, modes, np.linalg.inv(modes)
