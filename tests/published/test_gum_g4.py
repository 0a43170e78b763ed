"""GUM (JCGM 100:2008) G.4.1 (effective degrees of freedom) and clause 4.4.3 (twenty temperatures).

Source: from memory; every number recomputes from the inputs.
"""

import math

import numpy as np
import pytest

from orchestrator.analysis.coverage_factor import t_factor
from orchestrator.analysis.uncertainty import Contribution, combine, effective_dof, from_readings

TEMPERATURES_C = [
    *[96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07],
    *[100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72],
]


def test_three_relative_uncertainties() -> None:
    parts = (
        Contribution("a", 0.25, 1.0, 9.0),
        Contribution("b", 0.57, 1.0, 4.0),
        Contribution("c", 0.82, 1.0, 14.0),
    )
    combined = combine(100.0, "%", parts, coverage_probability=0.95)

    assert combined.combined == pytest.approx(1.03, abs=0.005)
    assert math.floor(effective_dof([(c.in_result, c.degrees_of_freedom) for c in parts], 1.03)) == 19
    assert t_factor(19, 0.95) == pytest.approx(2.093, abs=5e-4)


def test_twenty_temperatures() -> None:
    mean, scatter = from_readings("temperature", np.array(TEMPERATURES_C), 1.0, "readings", unit="degC")

    assert mean == pytest.approx(100.145, abs=5e-4)
    assert scatter.standard_uncertainty * math.sqrt(20) == pytest.approx(1.489, abs=5e-4)
    assert scatter.standard_uncertainty == pytest.approx(0.333, abs=5e-4)
    assert scatter.degrees_of_freedom == 19


@pytest.mark.parametrize("readings", [[], [1.0]])
def test_one_reading_says_nothing_about_scatter(readings: list[float]) -> None:
    with pytest.raises(ValueError, match="scatter"):
        from_readings("temperature", np.array(readings), 1.0, "readings")
