"""Local polynomial fits: how a value, a crossing or a crest is read from samples that carry noise.

A single sample carries the whole noise, and the largest of many samples is larger than the crest, so
nothing here is read from single samples. Each figure comes from a least-squares polynomial over a window on
the scale of the feature. The fit is linear in the samples, so the noise it lets through is known
(`noise_factor`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from orchestrator.analysis.waveform import Array

MOST_POINTS = (
    4096  # a longer window is averaged down first: linear, and the block is a tiny part of the window
)


@dataclass(frozen=True, eq=False)
class LocalFit:
    """y(x) = polynomial in u = (x - centre) / half_width, with x in samples from the start of the record."""

    centre: float
    half_width: float
    coefficients: Array  # highest power first
    covariance: Array  # of the coefficients, for samples with unit noise
    samples: int
    residual_rms: float  # of the points that were fitted (block means where the window was averaged down)

    @cached_property
    def _powers(self) -> list[float]:
        return [float(each) for each in self.coefficients]

    def value(self, at: float) -> float:
        return _polynomial(self._powers, (at - self.centre) / self.half_width)

    def slope(self, at: float) -> float:
        """Change per sample at `at`."""
        u = (at - self.centre) / self.half_width
        return _polynomial(_derivative(self._powers), u) / self.half_width

    def noise_factor(self, at: float) -> float:
        """Standard deviation of `value(at)` for white noise of unit standard deviation in each sample."""
        u = (at - self.centre) / self.half_width
        powers = u ** np.arange(len(self.coefficients) - 1, -1, -1)
        return float(np.sqrt(powers @ self.covariance @ powers))

    def crossing(self, level: float, near: float) -> float | None:
        """Where the polynomial takes `level` inside the window, nearest to `near`; None if it does not."""
        inside = _real_roots_inside([*self._powers[:-1], self._powers[-1] - level])
        if not inside:
            return None
        wanted = (near - self.centre) / self.half_width
        u = min(inside, key=lambda root: abs(root - wanted))
        return self.centre + u * self.half_width

    def crest(self) -> float:
        """Where the polynomial is largest inside the window."""
        return self._crest

    @cached_property
    def _crest(self) -> float:
        turning = _real_roots_inside(_derivative(self._powers), margin=0.0)
        u = max([-1.0, 1.0, *turning], key=lambda root: _polynomial(self._powers, root))
        return self.centre + u * self.half_width


def fit(first: float, values: Array, order: int, block: int = 1) -> LocalFit:
    """Fit `values`, whose first lies at sample position `first` and which are `block` samples apart.

    `values` are single samples (block 1) or means of `block` samples each; needs at least order + 1 of them.
    """
    count = len(values)
    powers, inverse = _design(count, order)
    coefficients = inverse @ (powers.T @ values)
    half_width = block * (count - 1) / 2.0
    residual = values - powers @ coefficients
    freedom = max(count - order - 1, 1)
    return LocalFit(
        first + half_width,
        half_width,
        coefficients,
        inverse / block,
        count * block,
        float(np.sqrt(residual @ residual / freedom)),
    )


@lru_cache(maxsize=256)
def _design(count: int, order: int) -> tuple[Array, Array]:
    """Powers of `count` places from -1 to 1, and the inverse of their normal matrix: not to be changed."""
    powers = np.vander(np.linspace(-1.0, 1.0, count), order + 1)
    return powers, np.asarray(np.linalg.inv(powers.T @ powers), dtype=np.float64)


def _polynomial(coefficients: Sequence[float], u: float) -> float:
    """Its value, the highest power first."""
    value = 0.0
    for coefficient in coefficients:
        value = value * u + coefficient
    return value


def _derivative(coefficients: Sequence[float]) -> list[float]:
    order = len(coefficients) - 1
    return [each * (order - place) for place, each in enumerate(coefficients[:-1])]


def _real_roots_inside(coefficients: Sequence[float], margin: float = 0.05) -> list[float]:
    """Real roots between -1 and 1, or a touch outside; leading coefficients that vanish do no harm."""
    size = max(abs(each) for each in coefficients)
    trimmed = [0.0 if abs(each) < 1e-14 * size else each for each in coefficients]
    roots = _roots(trimmed)
    return [root.real for root in roots if abs(root.imag) < 1e-9 and abs(root.real) <= 1.0 + margin]


def _roots(coefficients: Sequence[float]) -> list[complex]:
    """What numpy.roots gives, without its way there: the eigenvalues of the companion matrix."""
    if not coefficients[0] or not coefficients[-1]:
        return [complex(root) for root in np.roots(coefficients)]
    order = len(coefficients) - 1
    companion = np.eye(order, k=-1)
    companion[0] = [-each / coefficients[0] for each in coefficients[1:]]
    return [complex(root) for root in np.linalg.eigvals(companion)]
