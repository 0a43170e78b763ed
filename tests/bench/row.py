"""One row of the speed table: our figure beside its baseline, and the ratio it must not exceed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """`ratio` is the median of the ratios of interleaved measurements, ours to the baseline."""

    what: str
    ours_s: float
    baseline: str
    baseline_s: float
    ratio: float
    at_most: float

    @property
    def holds(self) -> bool:
        """Whether the ratio is within its limit."""
        return self.ratio <= self.at_most
