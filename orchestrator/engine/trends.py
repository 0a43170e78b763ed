"""Trend limits: warned of before a limit is reached, never a reason to stop."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.engine.digest import FIGURES

Array = NDArray[Any]
LOOKS = 4  # in a window: how often its median is looked at


class Trend:
    """One trend limit over the last `over` cycles of every mount; each mount is warned of once."""

    def __init__(self, rule: Any, mounts: int) -> None:
        self.rule = rule
        self._row = list(FIGURES).index(rule.result)
        self._window = np.full((rule.over, mounts), np.nan)
        self._taken = 0
        self._first: Array | None = None
        self._warned = np.zeros(mounts, bool)
        self._every = max(1, rule.over // LOOKS)

    def take(self, figures: Array) -> list[tuple[int, float]]:
        """One cycle's figures (rows of `FIGURES`, mounts); the mounts to warn of now, from 0, with their medians."""
        self._window[self._taken % self.rule.over] = figures[self._row]
        self._taken += 1
        if self._taken < self.rule.over or self._taken % self._every:
            return []
        return self._look()

    def _look(self) -> list[tuple[int, float]]:
        held = np.isfinite(self._window)
        enough = held.sum(axis=0) >= self.rule.over // 2
        medians = np.full(held.shape[1], np.nan)
        if enough.any():
            medians[enough] = np.nanmedian(self._window[:, enough], axis=0)
        if self._first is None:
            self._first = medians
        over = np.zeros(medians.shape, bool)
        if self.rule.warn_above is not None:
            over |= medians > float(self.rule.warn_above)
        if self.rule.grows_by is not None:
            over |= medians - self._first > float(self.rule.grows_by)
        fresh = over & ~self._warned
        self._warned |= fresh
        return [(int(place), float(medians[place])) for place in np.flatnonzero(fresh)]
