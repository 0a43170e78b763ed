"""Decision rules against ILAC-G8:09/2019 and JCGM 106:2012.

Sources: ILAC-G8 4.2.1 to 4.2.3 (w = 0; w = U; the four statements and their intervals) seen in a public copy,
pages 9 and 10; the risks "below 50 %" and "below 2.5 %" on laboratories' decision-rule pages. The table of z
against the conformance probability in JCGM 106 clause 7 from memory; recomputed with scipy.
"""

import numpy as np
import pytest
from scipy.stats import norm

from orchestrator.analysis.decision import Rule, decide, probability_of_conformity

TL, STANDARD = 100.0, 1.5
U = 2.0 * STANDARD


@pytest.mark.parametrize(
    ("value", "statement"),
    [
        (TL - U - 0.01, "pass"),
        (TL - U, "pass"),
        (TL - U + 0.01, "conditional pass"),
        (TL, "conditional pass"),
        (TL + 0.01, "conditional fail"),
        (TL + U, "conditional fail"),
        (TL + U + 0.01, "fail"),
    ],
)
def test_the_four_statements(value: float, statement: str) -> None:
    decision = decide(value, U, 2.0, TL, "at_most", "guard_band")
    verdict = "P" if statement.endswith("pass") else "F"

    assert (decision.verdict, decision.conditional) == (verdict, statement.startswith("conditional"))
    assert f"({statement}" in decision.sentence


def share_accepted(true_value: float, rule: Rule, trials: int = 20_000) -> float:
    """Share of simulated measurements of one true value that pass without condition."""
    drawn = np.random.default_rng(8).normal(true_value, STANDARD, trials)
    return float(np.mean([decide(y, U, 2.0, TL, "at_most", rule).accepted for y in drawn]))


def test_risk_of_simple_acceptance_is_at_most_one_half() -> None:
    assert share_accepted(TL, "simple_acceptance") == pytest.approx(0.5, abs=0.011)
    assert share_accepted(TL + 0.1, "simple_acceptance") < 0.5


def test_risk_of_the_guard_band_is_below_two_and_a_half_per_cent() -> None:
    """A specimen just at the limit passes with Phi(-2) = 0.02275; 0.0042 is four deviations of the trials."""
    assert share_accepted(TL, "guard_band") == pytest.approx(float(norm.cdf(-2.0)), abs=0.0042)
    assert share_accepted(TL + 0.5, "guard_band") < 0.025


def test_probability_at_the_acceptance_limit_of_the_guard_band() -> None:
    decision = decide(TL - U, U, 2.0, TL, "at_most", "guard_band")

    assert decision.probability_of_conformity == pytest.approx(1.0 - 0.0227501, abs=5e-8)


def test_a_risk_of_five_per_cent_needs_a_shorter_guard_band() -> None:
    decision = decide(0.0, U, 2.0, TL, "at_most", "conformity_probability", probability=0.95)

    assert decision.guard_band == pytest.approx(1.644854 * STANDARD, rel=1e-6)
    assert decision.guard_band == pytest.approx(0.8224 * U, rel=1e-4)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_table_of_z(probability: float, z: float) -> None:
    band = decide(0.0, U, 2.0, TL, "at_least", "conformity_probability", probability=probability).guard_band

    assert band is not None
    assert band / STANDARD == pytest.approx(z, abs=0.0051)


@pytest.mark.parametrize("z", [-3.0, -1.0, 0.0, 0.5, 1.645, 6.0])
def test_probability_of_conformity_is_the_normal_integral(z: float) -> None:
    upper = probability_of_conformity(TL - z * STANDARD, STANDARD, TL, "at_most")
    lower = probability_of_conformity(TL + z * STANDARD, STANDARD, TL, "at_least")

    assert [upper, lower] == pytest.approx([float(norm.cdf(z))] * 2, rel=1e-12)
