"""Life statements against published numbers. Each source stands beside its check.

The handbook page and the formulas were read in copies; the factors and exact intervals are what two
general-purpose libraries agree on.
"""

import math

import pytest

from orchestrator.analysis.lifetime import (
    clopper_pearson,
    most_failures,
    specimens_needed,
    statement,
    weibull,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: ten failures in hours, ten units suspended at 500 h.
FAILURES_H = (54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0)
SUSPENDED_H = (500.0,) * 10


def test_weibull_of_the_handbook() -> None:
    """The page prints scale 606.5280, shape 1.7208, mean 540.737, |log likelihood| 75.135, and AIC 154.27.

    The scale's last printed digits are not the maximum's (606.5276, found by four libraries alike).
    """
    found = weibull(FAILURES_H, SUSPENDED_H)

    assert found.shape == pytest.approx(1.7208, abs=5e-5)
    assert found.scale_cycles == pytest.approx(606.5280, abs=1e-3)
    assert found.scale_cycles == pytest.approx(606.5276, abs=1e-4)
    assert found.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    assert 2.0 * 2 - 2.0 * found.log_likelihood == pytest.approx(154.27, abs=5e-3)
    mean = found.scale_cycles * math.gamma(1.0 + 1.0 / found.shape)
    assert mean == pytest.approx(540.737, abs=1e-3)
    assert (found.failures, found.suspensions) == (10, 10)
    assert found.cycles_at(0.1) == pytest.approx(164.022, abs=2e-3)  # recomputed, not on the page
    assert found.lasts(found.cycles_at(0.1)) == pytest.approx(0.9, rel=1e-12)


def test_the_intervals_against_numbers_differentiated_likelihood() -> None:
    """The information matrix by second differences of SciPy's own densities: another derivation, same numbers."""
    import numpy as np
    from scipy.stats import norm, weibull_min

    found = weibull(FAILURES_H, SUSPENDED_H, 0.95)

    def minus_log_likelihood(log_scale: float, log_shape: float) -> float:
        law = weibull_min(math.exp(log_shape), scale=math.exp(log_scale))
        return -float(law.logpdf(FAILURES_H).sum() + law.logsf(SUSPENDED_H).sum())

    at, step = (math.log(found.scale_cycles), math.log(found.shape)), 1e-4
    matrix = np.empty((2, 2))
    for a in range(2):
        for b in range(2):
            corners = [
                sign_a
                * sign_b
                * minus_log_likelihood(
                    at[0] + step * (sign_a * (a == 0) + sign_b * (b == 0)),
                    at[1] + step * (sign_a * (a == 1) + sign_b * (b == 1)),
                )
                for sign_a in (-1, 1)
                for sign_b in (-1, 1)
            ]
            matrix[a, b] = sum(corners) / (4.0 * step**2)
    spread = np.sqrt(np.diag(np.linalg.inv(matrix))) * norm.ppf(0.975)
    assert found.scale_interval[1] / found.scale_cycles == pytest.approx(math.exp(spread[0]), rel=1e-4)
    assert found.shape_interval[1] / found.shape == pytest.approx(math.exp(spread[1]), rel=1e-4)
    assert found.shape_interval[0] * found.shape_interval[1] == pytest.approx(found.shape**2)


@pytest.mark.parametrize(
    ("reliability", "confidence", "specimens"),
    [
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.99, 0.90, 230),
        (0.99, 0.95, 299),
        (0.999, 0.95, 2995),
        (0.90, 0.50, 7),
        (0.80, 0.80, 8),
        (0.80, 0.90, 11),
        (0.5, 0.5, 1),
    ],
)
def test_success_run(reliability: float, confidence: float, specimens: int) -> None:
    """n = ln(1 - C) / ln(R), rounded up: the binomial test without failures, in every handbook of reliability.

    The formula was seen; 22, 29, 45, 59, 230 and 299 are the usual table (rows from memory, recomputed).
    """
    assert specimens_needed(reliability, confidence) == specimens
    enough = statement([1000] * specimens, [False] * specimens, confidence)
    assert enough.reliability >= reliability * (1.0 - 1e-12)  # type: ignore[union-attr]
    if specimens > 1:
        fewer = statement([1000] * (specimens - 1), [False] * (specimens - 1), confidence)
        assert fewer.reliability < reliability  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("confidence", "factors"),
    [(0.6, (0.9163, 2.0223, 3.1054)), (0.9, (2.3026, 3.8897, 5.3223)), (0.95, (2.9957, 4.7439, 6.2958))],
)
def test_chi_square_factors(confidence: float, factors: tuple[float, ...]) -> None:
    """chi2(C, 2 r + 2) / 2 for 0, 1 and 2 failures: the usual table, recomputed; for none it is -ln(1 - C)."""
    found = [most_failures(failures, confidence) for failures in range(3)]

    assert found == pytest.approx(factors, abs=5.1e-5)
    assert found[0] == pytest.approx(-math.log1p(-confidence), rel=1e-12)


@pytest.mark.parametrize(
    ("failures", "trials", "lowest", "highest"),
    [
        (1, 10, 0.00252858, 0.44501612),
        (0, 20, 0.0, 0.16843347),
        (1, 20, 0.00126509, 0.24873276),
        (5, 50, 0.03327509, 0.21813537),
        (2, 100, 0.00243134, 0.07038393),
    ],
)
def test_clopper_pearson(failures: int, trials: int, lowest: float, highest: float) -> None:
    """95 % two-sided, by quantiles of the beta distribution (formula seen), and they are mirror images."""
    found = clopper_pearson(failures, trials, 0.95)
    mirrored = clopper_pearson(trials - failures, trials, 0.95)

    assert (found.lowest, found.highest) == pytest.approx((lowest, highest), abs=5.1e-9)
    assert (1.0 - mirrored.highest, 1.0 - mirrored.lowest) == pytest.approx((lowest, highest), abs=1e-8)
