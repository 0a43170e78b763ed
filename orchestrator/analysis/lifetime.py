"""What so many cycles on so many specimens allow to be said about life, with its confidence.

* No failure: the success run. From n specimens that all lasted, reliability R with confidence C follows from
  R ** n = 1 - C (binomial, zero failures).
* Failures among trials: the exact interval of Clopper and Pearson.
* Failures per cycle: the chi-square bound for a constant rate.
* Several failures at different counts: a two-parameter Weibull distribution by maximum likelihood; specimens
  that did not fail are suspended at their count, not left out.

Quantiles and the Weibull fit are SciPy's. tests/published/test_lifetime_tables.py compares with published values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.waveform import Array

CONFIDENCE = 0.9
FEWEST_FAILURES = 2  # at different counts, below which a shape cannot be estimated
TOLERANCE = 1e-9  # of a count, before it is rounded up


@dataclass(frozen=True)
class SuccessRun:
    """`specimens` without a failure in at least `cycles` each."""

    specimens: int
    cycles: int
    confidence: float

    @property
    def reliability(self) -> float:
        """The lower bound of the share that lasts `cycles`."""
        return float((1.0 - self.confidence) ** (1.0 / self.specimens))

    @property
    def in_words(self) -> str:
        """One sentence for the report."""
        count = "1 specimen" if self.specimens == 1 else f"{self.specimens} specimens"
        return (
            f"{count} without a failure in {self.cycles} cycles: with {_per_cent(self.confidence)} confidence at "
            f"least {_per_cent(self.reliability, down=True)} of all last {self.cycles} cycles (success run)."
        )


@dataclass(frozen=True)
class Proportion:
    """`failures` among `trials`, with the two-sided exact interval of the share that fails."""

    failures: int
    trials: int
    confidence: float
    lowest: float
    highest: float

    @property
    def in_words(self) -> str:
        """One sentence for the report."""
        return (
            f"{self.failures} of {self.trials} specimens failed: with {_per_cent(self.confidence)} confidence the "
            f"share that fails is from {self.lowest:.2%} to {self.highest:.2%} (Clopper-Pearson)."
        )


@dataclass(frozen=True)
class WeibullEstimate:
    """A fitted two-parameter Weibull distribution of cycles to failure.

    `shape` below 1 are early failures, above 1 wear; at `scale_cycles` 63.2 % have failed. The intervals are
    two-sided at `confidence`, from the information matrix (normal approximation on the logarithms): rough for
    fewer than ten failures.
    """

    shape: float
    scale_cycles: float
    failures: int
    suspensions: int
    log_likelihood: float
    confidence: float
    shape_interval: tuple[float, float]
    scale_interval: tuple[float, float]

    def lasts(self, cycles: float) -> float:
        """The estimated share that lasts so many cycles."""
        return math.exp(-((cycles / self.scale_cycles) ** self.shape))

    def cycles_at(self, failed_share: float) -> float:
        """The estimated cycles by which this share has failed (0.1 for the B10 life)."""
        return float(self.scale_cycles * (-math.log1p(-failed_share)) ** (1.0 / self.shape))

    @property
    def in_words(self) -> str:
        """One sentence for the report."""
        shapes, scales = self.shape_interval, self.scale_interval
        return (
            f"Weibull estimate from {self.failures} failures and {self.suspensions} suspensions: shape "
            f"{self.shape:.3g} ({shapes[0]:.3g} to {shapes[1]:.3g}), scale {self.scale_cycles:.4g} cycles "
            f"({scales[0]:.4g} to {scales[1]:.4g}), {_per_cent(self.confidence)} confidence; 10 % have failed by "
            f"{self.cycles_at(0.1):.4g} cycles."
        )


Statement = SuccessRun | Proportion | WeibullEstimate


def statement(cycles: Sequence[int], failed: Sequence[bool], confidence: float = CONFIDENCE) -> Statement:
    """What the cycles of each specimen, and whether it failed there, allow to be said.

    Raises ValueError for no specimen at all, a specimen without cycles, or a confidence outside 0 to 1.
    """
    _require(cycles, failed, confidence)
    ends = np.asarray(cycles, dtype=np.float64)
    lost = np.asarray(failed, dtype=np.bool_)
    if not lost.any():
        return SuccessRun(len(ends), int(ends.min()), confidence)
    if len(np.unique(ends[lost])) >= FEWEST_FAILURES:
        return weibull(ends[lost], ends[~lost], confidence)
    return clopper_pearson(int(lost.sum()), len(ends), confidence)


def _require(cycles: Sequence[int], failed: Sequence[bool], confidence: float) -> None:
    if len(cycles) == 0 or len(cycles) != len(failed):
        raise ValueError(f"{len(cycles)} cycle counts and {len(failed)} outcomes are no specimens")
    if min(cycles) <= 0:
        raise ValueError("a specimen without cycles says nothing about life")
    _require_share("confidence", confidence)


def _require_share(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} {value} is not between 0 and 1")


def specimens_needed(reliability: float, confidence: float) -> int:
    """How many specimens must last without a failure: ln(1 - C) / ln(R), rounded up."""
    _require_share("reliability", reliability)
    _require_share("confidence", confidence)
    return max(1, math.ceil(math.log1p(-confidence) / math.log(reliability) - TOLERANCE))


def clopper_pearson(failures: int, trials: int, confidence: float = CONFIDENCE) -> Proportion:
    """The exact two-sided interval. Raises ValueError for counts that cannot be."""
    from scipy.stats import binomtest

    interval = binomtest(failures, trials).proportion_ci(confidence, method="exact")
    return Proportion(failures, trials, confidence, float(interval.low), float(interval.high))


def most_failures(failures: int, confidence: float) -> float:
    """The upper bound of the expected number of failures when so many were seen: chi2(C, 2 r + 2) / 2.

    Divided by all cycles of all specimens it bounds a constant failure rate per cycle.
    """
    from scipy.stats import chi2

    return float(0.5 * chi2.ppf(confidence, 2 * failures + 2))


def weibull(
    failures: NDArray[np.float64] | Sequence[float],
    suspensions: NDArray[np.float64] | Sequence[float] = (),
    confidence: float = CONFIDENCE,
) -> WeibullEstimate:
    """Maximum likelihood from cycles to failure and cycles at which others were still whole.

    Raises ValueError below FEWEST_FAILURES different counts: one says nothing about the shape.
    """
    from scipy.optimize import fmin
    from scipy.stats import CensoredData, weibull_min

    lost, whole = np.asarray(failures, dtype=np.float64), np.asarray(suspensions, dtype=np.float64)
    if len(np.unique(lost)) < FEWEST_FAILURES:
        raise ValueError(f"{len(np.unique(lost))} different count at failure says nothing about the shape")
    search: Any = partial(fmin, xtol=1e-9, ftol=1e-12)
    unit = float(np.median(lost))  # so that the search starts near 1, whatever the counts
    shape, _, scale = weibull_min.fit(CensoredData(lost / unit, right=whole / unit), floc=0, optimizer=search)
    scale *= unit
    log_likelihood = weibull_min.logpdf(lost, shape, scale=scale).sum()
    log_likelihood += weibull_min.logsf(whole, shape, scale=scale).sum()
    shapes, scales = _intervals(lost, whole, float(shape), float(scale), confidence)
    counts = len(lost), len(whole)
    return WeibullEstimate(
        float(shape), float(scale), *counts, float(log_likelihood), confidence, shapes, scales
    )


def _intervals(
    lost: Array, whole: Array, shape: float, scale: float, confidence: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Two-sided intervals of shape and scale from the observed information of ln scale and 1 / shape."""
    from scipy.special import ndtri

    sigma, z = 1.0 / shape, float(ndtri(0.5 * (1.0 + confidence)))
    of_lost = np.log(lost / scale) / sigma
    of_all = np.concatenate((of_lost, np.log(whole / scale) / sigma))
    weights = np.exp(of_all)
    cross = float((weights * of_all).sum() + weights.sum() - len(lost))
    own = float(
        (weights * of_all**2).sum() + 2.0 * (weights * of_all).sum() - 2.0 * of_lost.sum() - len(lost)
    )
    information = np.array([[weights.sum(), cross], [cross, own]]) / sigma**2
    spread = np.sqrt(np.diag(np.linalg.inv(information)))
    by_shape, by_scale = math.exp(z * spread[1] / sigma), math.exp(z * spread[0])
    return (shape / by_shape, shape * by_shape), (scale / by_scale, scale * by_scale)


def _per_cent(share: float, down: bool = False) -> str:
    """To a tenth of a per cent; `down` never rounds up."""
    tenths = math.floor(1000.0 * share + TOLERANCE) if down else round(1000.0 * share)
    return f"{tenths / 10.0:g} %"
