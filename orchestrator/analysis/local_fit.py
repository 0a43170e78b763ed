"""Local polynomial fits: how a value, a crossing or a crest is read from samples that carry noise.

A single sample carries the whole noise, and the largest of many samples is larger than the crest, so
nothing here is read from single samples. Each figure comes from a least-squares polynomial over a window on
the scale of the feature. The fit is linear in the samples, so the noise it lets through is known
(`noise_factor`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

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

    def value(self, at: float) -> float:
        return float(np.polyval(self.coefficients, (at - self.centre) / self.half_width))

    def slope(self, at: float) -> float:
        """Change per sample at `at`."""
        derivative = np.polyder(self.coefficients)
        return float(np.polyval(derivative, (at - self.centre) / self.half_width)) / self.half_width

    def noise_factor(self, at: float) -> float:
        """Standard deviation of `value(at)` for white noise of unit standard deviation in each sample."""
        u = (at - self.centre) / self.half_width
        powers = u ** np.arange(len(self.coefficients) - 1, -1, -1)
        return float(np.sqrt(powers @ self.covariance @ powers))

    def crossing(self, level: float, near: float) -> float | None:
        """Where the polynomial takes `level` inside the window, nearest to `near`; None if it does not."""
        shifted = self.coefficients.copy()
        shifted[-1] -= level
        inside = _real_roots_inside(shifted)
        if inside.size == 0:
            return None
        u = inside[np.argmin(np.abs(inside - (near - self.centre) / self.half_width))]
        return float(self.centre + u * self.half_width)

    def crest(self) -> float:
        """Where the polynomial is largest inside the window."""
        turning = _real_roots_inside(np.polyder(self.coefficients), margin=0.0)
        candidates = np.concatenate(([-1.0, 1.0], turning))
        u = candidates[np.argmax(np.polyval(self.coefficients, candidates))]
        return float(self.centre + u * self.half_width)


def fit(first: float, values: Array, order: int, block: int = 1) -> LocalFit:
    """Fit `values`, whose first lies at sample position `first` and which are `block` samples apart.

    `values` are single samples (block 1) or means of `block` samples each; needs at least order + 1 of them.
    """
    count = len(values)
    u = np.linspace(-1.0, 1.0, count)
    powers = np.vander(u, order + 1)
    inverse = np.linalg.inv(powers.T @ powers)
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


def _real_roots_inside(coefficients: NDArray[np.floating[Any]], margin: float = 0.05) -> Array:
    """Real roots between -1 and 1, or a touch outside; leading coefficients that vanish do no harm."""
    size = np.max(np.abs(coefficients))
    trimmed = coefficients.copy()
    trimmed[np.abs(trimmed) < 1e-14 * size] = 0.0
    roots = np.roots(trimmed)
    real = roots.real[np.abs(roots.imag) < 1e-9]
    inside: Array = real[np.abs(real) <= 1.0 + margin]
    return inside
