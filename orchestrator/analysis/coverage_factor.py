"""Coverage factors: how many standard uncertainties hold a stated share of a distribution of known shape."""

import math
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Literal

Shape = Literal["normal", "rectangular", "triangular"]

# The probability that belongs to k = 2 in a normal distribution: what certificates call "approximately 95 %".
COVERAGE_PROBABILITY = 0.9545
# Half-width of each shape in its own standard deviations (GUM 4.3.7, 4.3.9).
DIVISOR: Mapping[Shape, float] = {"normal": 1.0, "rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0)}
MANY_DOF = 1e6  # beyond this t and normal quantiles agree in six digits


def t_factor(degrees_of_freedom: float, coverage_probability: float) -> float:
    """Two-sided t-quantile (GUM table G.2); not truncated, so pass an integer for the table's own values."""
    from scipy.special import ndtri, stdtrit  # late: only a finite number of readings needs it

    upper = 0.5 * (1.0 + coverage_probability)
    many = degrees_of_freedom > MANY_DOF
    return float(ndtri(upper) if many else stdtrit(degrees_of_freedom, upper))


@lru_cache(maxsize=16)
def normal_factor(coverage_probability: float) -> float:
    """Two-sided normal quantile. Raises ValueError for a probability that is not between 0 and 1."""
    if not 0.0 < coverage_probability < 1.0:
        raise ValueError(f"coverage probability {coverage_probability} is not between 0 and 1")
    return _halve(lambda k: math.erf(k / math.sqrt(2.0)), coverage_probability, 40.0)


@lru_cache(maxsize=1024)
def folded_factor(shape: Shape, part: float, coverage_probability: float) -> float:
    """k of a unit-variance sum: a limited shape of standard deviation `part` and a normal remainder."""
    half_width = part * DIVISOR[shape]
    rest = max(math.sqrt(max(0.0, 1.0 - part**2)), 1e-6)  # the closed form divides by it
    probability = _in_rectangular if shape == "rectangular" else _in_triangular
    return _halve(lambda k: probability(k, half_width, rest), coverage_probability, 40.0)


def _halve(probability: Callable[[float], float], wanted: float, upper: float) -> float:
    """The argument at which a rising function reaches `wanted`, by bisection from 0 to `upper`."""
    low, high = 0.0, upper
    under, over = _bracket(probability, wanted, upper)
    while high - low > 1e-10:
        middle = 0.5 * (low + high)
        is_under = middle <= under or (middle < over and probability(middle) < wanted)
        low, high = (middle, high) if is_under else (low, middle)
    return high


def _bracket(probability: Callable[[float], float], wanted: float, upper: float) -> tuple[float, float]:
    """A place where the function is under `wanted` and one where it is not, near each other: by false position.

    It spares the bisection most of its questions and changes none of its answers.
    """
    under, over = 0.0, upper
    missing, spare = wanted - probability(under), probability(over) - wanted
    for _ in range(12):
        middle = under + (over - under) * missing / (missing + spare) if missing + spare > 0.0 else under
        if not under < middle < over or over - under < 1e-9:
            break
        found = probability(middle) - wanted
        if found < 0.0:
            under, missing, spare = middle, -found, 0.5 * spare
        else:
            over, missing, spare = middle, 0.5 * missing, found
    return under, over


def _in_rectangular(k: float, a: float, s: float) -> float:
    """P(|R + N| <= k), R rectangular on +-a, N normal with standard deviation s: closed form."""
    first = _integral_of_phi
    return (s / a) * (first((k + a) / s) - first((k - a) / s)) - 1.0


def _in_triangular(k: float, a: float, s: float) -> float:
    """P(|T + N| <= k), T triangular on +-a: the rectangular form integrated once more."""
    second = _second_integral_of_phi
    return 2.0 * (s / a) ** 2 * (second((k + a) / s) - 2.0 * second(k / s) + second((k - a) / s)) - 1.0


def _phi(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def _density(x: float) -> float:
    return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)


def _integral_of_phi(x: float) -> float:
    return x * _phi(x) + _density(x)


def _second_integral_of_phi(x: float) -> float:
    return 0.5 * ((x * x + 1.0) * _phi(x) + x * _density(x))
