"""GUM (JCGM 100:2008) example H.2, resistance and reactance measured together: correlation.

Source: means, their uncertainties and correlations seen in the documentation of an open uncertainty
calculator (example GUM_H2); the five raw readings seen in several public repositories and from memory, and
they reproduce the means and uncertainties. Results recomputed, also with the `uncertainties` package.
"""

import numpy as np
import pytest
import uncertainties  # type: ignore[import-untyped]
from numpy.typing import NDArray
from uncertainties import umath

from orchestrator.analysis.uncertainty import Contribution, combine, propagate, simultaneous_readings

Array = NDArray[np.float64]

VOLTAGE_V = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT_A = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE_RAD = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
READINGS = np.array([VOLTAGE_V, CURRENT_A, PHASE_RAD])


def results(v: Array | float, i: Array | float, phase: Array | float) -> Array:
    return np.array([v / i * np.cos(phase), v / i * np.sin(phase), v / i])


def jacobian(v: float, i: float, phase: float) -> Array:
    r, x, z = results(v, i, phase)
    return np.array([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]])


def correlation(covariance: Array) -> Array:
    sizes = np.sqrt(np.diag(covariance))
    matrix: Array = covariance / np.outer(sizes, sizes)
    return matrix


def test_means_uncertainties_and_correlations_of_the_readings() -> None:
    means, covariance = simultaneous_readings(READINGS)

    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0032094, 9.4710e-6, 7.5206e-4], rel=1e-4)
    r = correlation(covariance)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)


def test_results_with_correlation() -> None:
    means, covariance = simultaneous_readings(READINGS)
    found = propagate(jacobian(*means), covariance)

    assert results(*means) == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert np.sqrt(np.diag(found)) == pytest.approx([0.071, 0.295, 0.236], abs=0.0006)
    r = correlation(found)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.0006)


def test_ignoring_the_correlation_gives_another_answer() -> None:
    means, covariance = simultaneous_readings(READINGS)
    ignored = propagate(jacobian(*means), np.diag(np.diag(covariance)))
    sizes = np.sqrt(np.diag(ignored))

    assert sizes[0] > 2.5 * 0.071
    assert sizes[1] < 0.75 * 0.295
    assert sizes[2] < 0.9 * 0.236


def test_a_budget_with_correlations_gives_the_same_resistance() -> None:
    means, covariance = simultaneous_readings(READINGS)
    sizes, r = np.sqrt(np.diag(covariance)), correlation(covariance)
    names = ("voltage", "current", "phase")
    parts = [
        Contribution(name, u, c, 4.0) for name, u, c in zip(names, sizes, jacobian(*means)[0], strict=True)
    ]
    pairs = {(names[a], names[b]): float(r[a, b]) for a in range(3) for b in range(a)}
    resistance = combine(results(*means)[0], "ohm", parts, pairs, coverage_probability=0.95)

    assert resistance.combined == pytest.approx(0.07107, abs=5e-6)
    assert resistance.effective_dof == pytest.approx(
        4.0
    )  # five occasions; Welch-Satterthwaite does not hold here
    assert resistance.coverage_factor == pytest.approx(2.776, abs=5e-4)


def test_an_independent_library_agrees() -> None:
    means, covariance = simultaneous_readings(READINGS)
    v, i, phase = uncertainties.correlated_values(means, covariance)
    theirs = [v / i * umath.cos(phase), v / i * umath.sin(phase), v / i]
    ours = propagate(jacobian(*means), covariance)

    assert np.array(uncertainties.covariance_matrix(theirs)) == pytest.approx(ours, rel=1e-9)


def test_monte_carlo_agrees() -> None:
    means, covariance = simultaneous_readings(READINGS)
    drawn = np.random.default_rng(102).multivariate_normal(means, covariance, 400_000)
    ours = propagate(jacobian(*means), covariance)

    assert np.cov(results(*drawn.T)) == pytest.approx(ours, rel=0.02, abs=2e-4)
