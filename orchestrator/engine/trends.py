"""Trends of a figure over the cycles: limits that warn and never stop a run, and what the screen draws."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.trend import Trend
from orchestrator.engine.digest import FIGURES

Array = NDArray[Any]
MOST_POINTS = 240
LOOKS = 4  # in a window: how often its median is looked at


class Shown:
    """A figure over all cycles in at most `MOST_POINTS` points: the worst mount's, thinned out as the run grows."""

    def __init__(self, result: str) -> None:
        self.result = result
        self._row = list(FIGURES).index(result)
        self._points: list[tuple[int, float]] = []
        self._every = 1

    def take(self, cycle: int, figures: Array) -> None:
        """One cycle's figures (rows of `FIGURES`, mounts)."""
        if cycle % self._every:
            return
        own = figures[self._row]
        there = own[np.isfinite(own)]
        if there.size:
            self._points.append((cycle, float(there.max())))
        if len(self._points) >= MOST_POINTS:
            self._every *= 2
            self._points = [point for point in self._points if point[0] % self._every == 0]

    def take_many(self, cycles: Array, figures: Array, mount: int) -> None:
        """Figures of earlier cycles of one mount: shape (figures, cycles). The worst mount's is drawn, as above."""
        own, kept = figures[self._row], dict(self._points)
        while cycles.size // self._every >= MOST_POINTS:
            self._every *= 2
        for place in np.flatnonzero((cycles % self._every == 0) & np.isfinite(own)):
            cycle, value = int(cycles[place]), float(own[place])
            kept[cycle] = max(value, kept.get(cycle, value))
        while len(kept) >= MOST_POINTS:
            self._every *= 2
            kept = {cycle: value for cycle, value in kept.items() if cycle % self._every == 0}
        self._points = sorted(point for point in kept.items() if point[0] % self._every == 0)

    def to_json(self) -> dict[str, Any]:
        """Unit and points (cycle, value)."""
        return {"unit": FIGURES[self.result], "points": list(self._points)}


class TrendLimit:
    """One trend limit over the last `over` cycles of every mount; each mount is warned of once."""

    def __init__(self, rule: Any, mounts: int) -> None:
        self.rule = rule
        self._row = list(FIGURES).index(rule.result)
        self._trend = Trend(rule.over, mounts)
        self._warned = np.zeros(mounts, bool)
        self._every = max(1, rule.over // LOOKS)
        self._limits = tuple(
            None if limit is None else float(limit) for limit in (rule.warn_above, rule.grows_by)
        )

    def take_many(self, cycles: Array, figures: Array, mount: int) -> None:
        """Figures of earlier cycles of one mount: shape (figures, cycles). Growth is counted from their first ones."""
        self._trend.add_many(figures[self._row], mount)

    def take(self, figures: Array) -> list[tuple[int, float]]:
        """One cycle's figures (rows of `FIGURES`, mounts); the mounts to warn of now, from 0, with their medians."""
        trend = self._trend
        trend.add(figures[self._row])
        if trend.taken < trend.over or trend.taken % self._every:
            return []
        over, medians = trend.over_limit(*self._limits)
        fresh = over & ~self._warned
        self._warned |= fresh
        return [(int(place), float(medians[place])) for place in np.flatnonzero(fresh)]
