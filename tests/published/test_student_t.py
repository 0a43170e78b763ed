"""Table G.2 of the GUM (JCGM 100:2008): two-sided t-factors.

Source: the table from memory, in agreement with scipy; the rows at nu = 1 and 2 also have a closed form.
"""

import math

import pytest

from orchestrator.analysis.coverage_factor import t_factor
from orchestrator.analysis.uncertainty import Contribution, combine

DOF = [1, 2, 3, 4, 5, 10, 16, 20, 50]
TABLE = {
    0.95: [12.71, 4.30, 3.18, 2.78, 2.57, 2.23, 2.12, 2.09, 2.01],
    0.9545: [13.97, 4.53, 3.31, 2.87, 2.65, 2.28, 2.17, 2.13, 2.05],
    0.99: [63.66, 9.92, 5.84, 4.60, 4.03, 3.17, 2.92, 2.85, 2.68],
}
ROWS = [(p, nu, t) for p, row in TABLE.items() for nu, t in zip(DOF, row, strict=True)]


@pytest.mark.parametrize(("probability", "dof", "factor"), ROWS)
def test_the_table(probability: float, dof: int, factor: float) -> None:
    assert t_factor(dof, probability) == pytest.approx(factor, abs=0.00501)


@pytest.mark.parametrize(("probability", "dof", "factor"), ROWS)
def test_a_budget_of_readings_alone_uses_the_table(probability: float, dof: int, factor: float) -> None:
    parts = (Contribution("readings", 1.0, 1.0, float(dof)),)
    k = combine(0.0, "V", parts, coverage_probability=probability).coverage_factor

    assert k == pytest.approx(factor, abs=0.00501)


@pytest.mark.parametrize("probability", TABLE)
def test_closed_forms_of_one_and_two_degrees_of_freedom(probability: float) -> None:
    assert t_factor(1, probability) == pytest.approx(math.tan(math.pi * probability / 2), rel=1e-9)
    two = probability * math.sqrt(2 / (1 - probability**2))
    assert t_factor(2, probability) == pytest.approx(two, rel=1e-9)


def test_endless_degrees_of_freedom_are_the_normal_distribution() -> None:
    assert t_factor(math.inf, 0.95) == pytest.approx(1.959964, abs=5e-7)
