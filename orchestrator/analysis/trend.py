"""How a figure drifts over many cycles: the median of the latest, and its growth since the first.

A median of many cycles follows wear and not a single odd cycle. Memory is that of one stretch of cycles,
whatever the run's length.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections import deque


class Trend:
    """One figure of one specimen. Before `over` values are in, there is no median and no growth (None)."""

    def __init__(self, over: int) -> None:
        """`over` is the number of cycles a median is taken of. Raises ValueError below 1."""
        if over < 1:
            raise ValueError(f"a median over {over} cycles is none")
        self.over = over
        self.first_median: float | None = None
        self._latest: deque[float] = deque()
        self._sorted: list[float] = []

    def add(self, value: float) -> None:
        """The next cycle's value; one that is missing (NaN) is passed over."""
        if not math.isfinite(value):
            return
        if len(self._latest) == self.over:
            del self._sorted[bisect_left(self._sorted, self._latest.popleft())]
        self._latest.append(value)
        insort(self._sorted, value)
        if self.first_median is None:
            self.first_median = self.median

    @property
    def median(self) -> float | None:
        """Of the latest `over` values."""
        if len(self._sorted) < self.over:
            return None
        middle = self.over // 2
        if self.over % 2:
            return self._sorted[middle]
        return 0.5 * (self._sorted[middle - 1] + self._sorted[middle])

    @property
    def growth(self) -> float | None:
        """Median of the latest `over` values less that of the first `over`."""
        if self.median is None or self.first_median is None:
            return None
        return self.median - self.first_median

    def warns(self, above: float | None = None, grows_by: float | None = None) -> bool:
        """Whether the median is over `above`, or has grown by more than `grows_by`."""
        if self.median is None or self.growth is None:
            return False
        return (above is not None and self.median > above) or (
            grows_by is not None and self.growth > grows_by
        )
