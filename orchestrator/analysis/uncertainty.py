"""Measurement uncertainty budgets: combination, effective degrees of freedom, coverage factor.

Follows the Guide to the expression of uncertainty in measurement (JCGM 100, "GUM"): standard uncertainties
are combined with their sensitivities, the effective degrees of freedom come from the Welch-Satterthwaite
formula, and the coverage factor from the t-distribution. One thing is added, as calibration practice
(EA-4/02) does by rule of thumb: where one contribution of limited shape outweighs the rest, the result is
not normal, so k is taken from that shape folded with a normal remainder. A rectangular contribution alone
then gives k = 1.65 and not 2.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.coverage_factor import (
    COVERAGE_PROBABILITY,
    DIVISOR,
    MANY_DOF,
    Shape,
    folded_factor,
    normal_factor,
    t_factor,
)

Pairs = Mapping[tuple[str, str], float]
_FEW_DOF = 200  # above, t differs from normal by less than half a per cent and needs no word


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: an input's standard uncertainty and what it does to the result.

    `standard_uncertainty` is in `unit`; `sensitivity` is the partial derivative of the result by that
    input. `why` says where the number comes from, or why a contribution counts as zero.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float
    degrees_of_freedom: float = math.inf
    shape: Shape = "normal"
    why: str = ""
    unit: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(f"{self.name}: standard uncertainty {self.standard_uncertainty} is not a size")
        if not math.isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: sensitivity {self.sensitivity} is not a number")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom {self.degrees_of_freedom} must be above zero")

    @property
    def in_result(self) -> float:
        """Standard uncertainty that it causes in the result, in the result's unit."""
        return abs(self.sensitivity) * self.standard_uncertainty


def within(
    name: str,
    limit: float,
    sensitivity: float,
    why: str,
    *,
    shape: Literal["rectangular", "triangular"] = "rectangular",
    unit: str = "",
) -> Contribution:
    """A contribution known only by its limits +-`limit` (a data sheet, a resolution; GUM 4.3.7, 4.3.9)."""
    return Contribution(name, abs(limit) / DIVISOR[shape], sensitivity, math.inf, shape, why, unit)


def nothing(name: str, why: str) -> Contribution:
    """A contribution that does not affect this result, kept in the budget with its reason."""
    return Contribution(name, 0.0, 0.0, why=why)


def from_readings(
    name: str, readings: NDArray[np.float64], sensitivity: float, why: str, *, unit: str = ""
) -> tuple[float, Contribution]:
    """Mean of repeated readings and the contribution of its scatter, s / sqrt(n) with n - 1 dof (GUM 4.2).

    Raises ValueError for fewer than two readings: one reading says nothing about scatter.
    """
    if len(readings) < 2:
        raise ValueError(f"{name}: {len(readings)} reading says nothing about scatter, at least 2 are needed")
    scatter = float(np.std(readings, ddof=1)) / math.sqrt(len(readings))
    dof = len(readings) - 1.0
    return float(np.mean(readings)), Contribution(name, scatter, sensitivity, dof, "normal", why, unit)


def simultaneous_readings(
    readings: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Means and covariance of the means of quantities read together (GUM 5.2.3).

    `readings` has one row for each quantity and one column for each occasion, at least two occasions.
    """
    occasions = readings.shape[1]
    if occasions < 2:
        raise ValueError("one occasion says nothing about scatter, at least 2 are needed")
    return readings.mean(axis=1), np.atleast_2d(np.cov(readings, ddof=1)) / occasions


@dataclass(frozen=True)
class Budget:
    """A result with its uncertainty budget. All uncertainties of the result are in `unit`."""

    value: float
    unit: str
    contributions: tuple[Contribution, ...]
    combined: float
    effective_dof: float
    coverage_factor: float
    coverage_probability: float
    expanded: float
    coverage_from: str
    correlations: Pairs = field(default_factory=dict)

    def share(self, name: str) -> float:
        """Part of the combined variance that comes from one contribution, 0 to 1 (correlations left out)."""
        own = sum([c.in_result**2 for c in self.contributions if c.name == name])
        return own / self.combined**2 if self.combined > 0 else 0.0

    def without(self, name: str) -> "Budget":
        """The budget as it would be if that contribution were forgotten: for tests of its necessity."""
        kept = tuple(c for c in self.contributions if c.name != name)
        pairs = {pair: r for pair, r in self.correlations.items() if name not in pair}
        return combine(self.value, self.unit, kept, pairs, self.coverage_probability)

    def to_json(self) -> dict[str, object]:
        """Plain data for the record; endless degrees of freedom become null."""
        return {
            "value": self.value,
            "unit": self.unit,
            "combined_standard_uncertainty": self.combined,
            "effective_degrees_of_freedom": _finite(self.effective_dof),
            "coverage_factor": self.coverage_factor,
            "coverage_probability": self.coverage_probability,
            "coverage_from": self.coverage_from,
            "expanded_uncertainty": self.expanded,
            "contributions": [
                {
                    **vars(c),
                    "degrees_of_freedom": _finite(c.degrees_of_freedom),
                    "in_result": c.in_result,
                    "share": self.share(c.name),
                }
                for c in self.contributions
            ],
            "correlations": [{"between": list(pair), "r": r} for pair, r in self.correlations.items()],
        }

    def table(self) -> str:
        """The budget as a laboratory prints it: one line for each contribution, then the result."""
        rows = [_HEADINGS, *(self._row(c) for c in self.contributions)]
        widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
        lines = [
            "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows
        ]
        lines.insert(1, "-" * max(len(line) for line in lines))
        lines += [f"correlation of {a} and {b}: {r:+.3f}" for (a, b), r in self.correlations.items()]
        return "\n".join([*lines, self._summary()])

    def _row(self, c: Contribution) -> tuple[str, ...]:
        dof = "inf" if math.isinf(c.degrees_of_freedom) else f"{c.degrees_of_freedom:.3g}"
        if c.standard_uncertainty == 0.0:
            return (c.name, "-", "-", "-", "-", f"0 {self.unit}", "0 %", c.why)
        own = f"{c.standard_uncertainty:.3g} {c.unit}".rstrip()
        share = f"{100 * self.share(c.name):.1f} %"
        caused = f"{c.in_result:.3g} {self.unit}"
        return (c.name, own, c.shape, dof, f"{c.sensitivity:.3g}", caused, share, c.why)

    def _summary(self) -> str:
        dof = "inf" if self.effective_dof > MANY_DOF else f"{self.effective_dof:.1f}"
        return (
            f"result {self.value:.6g} {self.unit}, combined standard uncertainty {self.combined:.3g} "
            f"{self.unit}, effective degrees of freedom {dof}\n"
            f"expanded uncertainty {self.expanded:.2g} {self.unit}, k = {self.coverage_factor:.2f} "
            f"for {100 * self.coverage_probability:.4g} % ({self.coverage_from})"
        )


_HEADINGS = ("contribution", "u", "shape", "dof", "sensitivity", "in result", "share", "why")


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def combine(
    value: float,
    unit: str,
    contributions: Sequence[Contribution],
    correlations: Pairs | None = None,
    coverage_probability: float = COVERAGE_PROBABILITY,
) -> Budget:
    """Combine contributions into a budget (GUM 5.1.2, with `correlations` 5.2.2).

    `correlations` maps a pair of contribution names to their correlation coefficient.
    Raises ValueError for a pair that is not in the budget or coefficients that cannot occur together.
    """
    pairs = dict(correlations or {})
    names = [c.name for c in contributions]
    if len(set(names)) != len(names):
        raise ValueError(f"a budget names each contribution once: {names}")
    sensitivities = np.array([c.sensitivity for c in contributions], float)
    sizes = np.array([c.standard_uncertainty for c in contributions], float)
    covariance = covariance_of(sizes, correlation_matrix(names, pairs))
    combined = math.sqrt(max(0.0, float(propagate(sensitivities[None, :], covariance)[0, 0])))
    dof = _dof_of(contributions, pairs, covariance, combined)
    k, source = coverage_factor(contributions, combined, dof, coverage_probability, correlated=bool(pairs))
    return Budget(
        value, unit, tuple(contributions), combined, dof, k, coverage_probability, k * combined, source, pairs
    )


def correlation_matrix(names: Sequence[str], pairs: Pairs) -> NDArray[np.float64]:
    """Symmetric correlation matrix in the order of `names`, ones on the diagonal."""
    matrix = np.eye(len(names))
    for (a, b), r in pairs.items():
        if a not in names or b not in names or a == b:
            raise ValueError(f"correlation of {a!r} and {b!r}: not two contributions of this budget")
        i, j = names.index(a), names.index(b)
        matrix[i, j] = matrix[j, i] = r
    if pairs and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise ValueError("these correlation coefficients cannot occur together")
    return matrix


def covariance_of(sizes: NDArray[np.float64], correlation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance matrix from standard uncertainties and their correlation matrix."""
    return correlation * np.outer(sizes, sizes)


def propagate(jacobian: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance of several results, J V J^T; `jacobian` has one row per result (GUM H.2.3, JCGM 102)."""
    return jacobian @ covariance @ jacobian.T


def _dof_of(
    contributions: Sequence[Contribution], pairs: Pairs, covariance: NDArray[np.float64], combined: float
) -> float:
    """Welch-Satterthwaite needs independent parts: correlated ones enter as one, with their fewest dof."""
    together = [i for i, c in enumerate(contributions) if any(c.name in pair for pair in pairs)]
    parts = [(c.in_result, c.degrees_of_freedom) for i, c in enumerate(contributions) if i not in together]
    if together:
        row = np.array([[contributions[i].sensitivity for i in together]])
        variance = float(propagate(row, covariance[np.ix_(together, together)])[0, 0])
        fewest = min(contributions[i].degrees_of_freedom for i in together)
        parts.append((math.sqrt(max(0.0, variance)), fewest))
    return effective_dof(parts, combined)


def effective_dof(parts: Sequence[tuple[float, float]], combined: float | None = None) -> float:
    """Effective degrees of freedom of (standard uncertainty in the result, its dof) pairs (GUM G.4.1).

    `combined` defaults to the root sum of squares of the parts.
    """
    total = math.hypot(*(u for u, _ in parts)) if combined is None else combined
    if total == 0.0:
        return math.inf
    weight = sum((u / total) ** 4 / dof for u, dof in parts)
    return 1.0 / weight if weight > 0.0 else math.inf


def coverage_factor(
    contributions: Sequence[Contribution],
    combined: float,
    dof: float,
    coverage_probability: float = COVERAGE_PROBABILITY,
    *,
    correlated: bool = False,
) -> tuple[float, str]:
    """Coverage factor and, in words, where it comes from.

    The largest contribution of limited shape is folded with a normal remainder; readings with few degrees
    of freedom widen that by t/z. With few degrees of freedom these are truncated to an integer (GUM G.4.2).
    """
    normal = normal_factor(coverage_probability)
    limited = [c for c in contributions if c.shape != "normal" and c.in_result > 0.0]
    k, source = normal, "normal"
    if limited and not correlated and combined > 0.0:
        largest = max(limited, key=lambda c: c.in_result)
        part = min(1.0, largest.in_result / combined)
        k = folded_factor(largest.shape, part, coverage_probability)
        source = _where_from(k / normal, largest, part)
    if dof <= MANY_DOF:
        whole = max(1.0, math.floor(dof))
        k *= t_factor(whole, coverage_probability) / normal
        source += f", t with {whole:.0f} degrees of freedom" if whole < _FEW_DOF else ""
    return k, source


def _where_from(ratio: float, largest: Contribution, part: float) -> str:
    if part**2 > 0.5:
        return f"{largest.shape}, dominated by {largest.name}"
    return "normal" if abs(ratio - 1.0) < 0.005 else f"normal with a {largest.shape} part from {largest.name}"
