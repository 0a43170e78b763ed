"""GUM (JCGM 100:2008) example H.1, end-gauge calibration: the whole path of a budget.

Source of the inputs and printed results: seen in the documentation of an open uncertainty calculator
(model, d0 to d2) and in a public repository's reference data; recomputed here. The standard's own text was
not read. All lengths in nanometres, temperatures in degrees Celsius.
"""

import math

import numpy as np
import pytest

from orchestrator.analysis.coverage_factor import t_factor
from orchestrator.analysis.uncertainty import Budget, Contribution, combine, effective_dof

LENGTH_NM = 50_000_623.0
EXPANSION = 11.5e-6
OFFSET_FROM_20 = -0.1


def end_gauge() -> Budget:
    """l = lS + d - lS (dalpha theta + alphaS dtheta), with the standard uncertainties of H.1."""
    parts = (
        Contribution("standard", 25.0, 1.0, 18.0, why="certificate"),
        Contribution("comparator", 9.7, 1.0, 25.6, why="rounded as the guide does before it goes on"),
        Contribution("expansion", 1.2e-6, 0.0, why="the gauges' temperatures agree on average"),
        Contribution("temperature", 0.41, 0.0, why="the gauges' expansions agree on average"),
        Contribution("expansion difference", 0.58e-6, -LENGTH_NM * OFFSET_FROM_20, 50.0),
        Contribution("temperature difference", 0.029, -LENGTH_NM * EXPANSION, 2.0),
    )
    return combine(LENGTH_NM + 215.0, "nm", parts, coverage_probability=0.99)


def test_the_comparator_is_itself_three_contributions() -> None:
    assert math.hypot(5.8, 3.9, 6.7) == pytest.approx(9.7, abs=0.05)
    assert effective_dof([(5.8, 24), (3.9, 5), (6.7, 8)], 9.7) == pytest.approx(25.6, abs=0.05)


def test_contributions_as_printed() -> None:
    assert [c.in_result for c in end_gauge().contributions] == pytest.approx(
        [25.0, 9.7, 0.0, 0.0, 2.9, 16.7], abs=0.05
    )


def test_result_as_printed() -> None:
    gauge = end_gauge()

    assert gauge.value == pytest.approx(50_000_838.0)
    assert round(gauge.combined) == 32
    assert gauge.effective_dof == pytest.approx(16.7, abs=0.05)
    assert gauge.coverage_factor == pytest.approx(2.92, abs=0.005)  # t99 of 16, truncated as the guide does
    assert round(gauge.expanded) == 93


def test_rounding_the_combined_uncertainty_first_spoils_the_degrees_of_freedom() -> None:
    parts = [(c.in_result, c.degrees_of_freedom) for c in end_gauge().contributions]

    assert effective_dof(parts, 32.0) > 17.0


def test_monte_carlo_finds_the_second_order_terms_that_the_guide_names() -> None:
    """By another route (JCGM 101): the product terms raise 32 nm to the 34 nm of the guide's H.1.7."""
    drawn = np.random.default_rng(101)
    trials = 400_000

    def normal(centre: float, u: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return centre + u * drawn.standard_normal(trials)

    difference, theta = normal(0.0, 0.58e-6), normal(OFFSET_FROM_20, 0.41)
    expansion, step = normal(EXPANSION, 1.2e-6), normal(0.0, 0.029)
    length = normal(LENGTH_NM, 25.0)
    comparator = normal(215.0, math.hypot(5.8, 3.9, 6.7))
    gauge = length + comparator - length * (difference * theta + expansion * step)

    assert round(float(gauge.std())) == 34
    first_order = LENGTH_NM * difference * OFFSET_FROM_20 + LENGTH_NM * EXPANSION * step
    linear = length + comparator - first_order
    assert float(linear.std()) == pytest.approx(end_gauge().combined, rel=0.005)


def test_the_factor_is_the_t_quantile_of_sixteen() -> None:
    assert t_factor(16, 0.99) == pytest.approx(2.92078, abs=5e-6)
