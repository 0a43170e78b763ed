"""How a figure drifts over many cycles: the median of the latest, and its growth since the first.

A median of many cycles follows wear and not a single odd cycle. Memory is that of one stretch of cycles,
whatever the run's length.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact_edges import Flags
from orchestrator.analysis.waveform import Array


class Trend:
    """One figure of some specimens over the last `over` cycles. Not a number is a figure that a cycle did not give.

    There is no median (not a number) before `over` cycles, nor of a stretch of which less than half is there.
    """

    def __init__(self, over: int, mounts: int = 1) -> None:
        """`over` is the number of cycles a median is taken of. Raises ValueError below 1."""
        if over < 1:
            raise ValueError(f"a median over {over} cycles is none")
        self.over = over
        self.taken = 0
        self.first: Array = np.full(mounts, np.nan)
        """Medians of the first stretch."""
        self._latest: NDArray[np.float64] = np.full((over, mounts), np.nan)
        self._before = [0] * mounts

    def add(self, values: Array | float) -> None:
        """The next cycle's value of each mount."""
        self._latest[self.taken % self.over] = values
        self.taken += 1
        if self.taken == self.over:
            self.first = np.where(np.isnan(self.first), self.medians(), self.first)

    def add_many(self, values: Array, mount: int) -> None:
        """Values of one mount (from 0) in their order, before any of `add`; of every mount equally many, or of a mount
        that is no longer looked at fewer."""
        known = self._latest[: self._before[mount], mount]
        own = np.concatenate((known, values))
        if len(known) < self.over <= len(own):
            self.first[mount] = (
                np.nanmedian(own[: self.over]) if np.isfinite(own[: self.over]).any() else np.nan
            )
        own = own[-self.over :]
        self._latest[: len(own), mount] = own
        self._before[mount] = len(own)
        self.taken = max(self.taken, len(own))

    def medians(self) -> Array:
        """Of the latest `over` cycles, one for each mount."""
        found: Array = np.full(self._latest.shape[1], np.nan)
        if self.taken < self.over:
            return found
        in_order = np.sort(self._latest, axis=0)  # what is not a number comes last
        held = np.count_nonzero(~np.isnan(in_order), axis=0)
        mounts = np.flatnonzero(held >= max(1, self.over // 2))
        low, high = (held[mounts] - 1) // 2, held[mounts] // 2
        found[mounts] = 0.5 * (in_order[low, mounts] + in_order[high, mounts])
        return found

    def growths(self) -> Array:
        """Medians of the latest `over` cycles less those of the first `over`."""
        return self.medians() - self.first

    def over_limit(self, above: float | None = None, grows_by: float | None = None) -> tuple[Flags, Array]:
        """For each mount whether its median is over `above`, or has grown by more than `grows_by`; and the medians."""
        medians = self.medians()
        over: Flags = np.zeros(medians.shape, np.bool_)
        if above is not None:
            over |= medians > above
        if grows_by is not None:
            over |= medians - self.first > grows_by
        return over, medians
