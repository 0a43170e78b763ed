"""Limits on what every cycle gives, looked at in every cycle where the file wants a run to stop by them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.engine.digest import FIGURES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sequences.model import Requirement

Array = NDArray[Any]
EACH = ("every cycle", "largest")


class Limits:
    """The narrowest bounds of the requirements on each figure, without any guard band: a quick look, no verdict."""

    def __init__(self, requirements: Iterable[Requirement]) -> None:
        self._low = np.full((len(FIGURES), 1), -np.inf)
        self._high = np.full((len(FIGURES), 1), np.inf)
        rows = list(FIGURES)
        for one in requirements:
            if one.result in FIGURES and one.judged in EACH:
                row = rows.index(one.result)
                if one.at_most is not None:
                    self._high[row] = min(self._high[row, 0], float(one.at_most))
                if one.at_least is not None:
                    self._low[row] = max(self._low[row, 0], float(one.at_least))

    def passed(self, figures: Array) -> bool:
        """Whether a figure of this cycle (rows of `FIGURES`, mounts) lies beyond a bound."""
        return bool(np.any((figures > self._high) | (figures < self._low)))
