"""What is kept of a figure that every cycle gives: first, last, smallest, largest and how many, for each mount.

A million cycles take no more memory than one; what a limit needs is here, the rest is in the ledger.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.engine.judge import Value

Array = NDArray[Any]
FIGURES = {
    "make_time": "s",
    "bounce_time": "s",
    "bounce_count": "",
    "inrush": "A",
    "steady_current": "A",
    "contact_drop": "V",
    "break_time": "s",
    "arcing_time": "s",
}
"""The figures of a cycle in the order of their rows, with their units."""


class Digest:
    """Arrays of shape (figures, mounts); a figure that a cycle did not give is not a number there."""

    def __init__(self, mounts: int) -> None:
        shape = (len(FIGURES), mounts)
        self.count = np.zeros(shape, np.int64)
        self.first, self.last = np.full(shape, np.nan), np.full(shape, np.nan)
        self.smallest, self.largest = np.full(shape, np.inf), np.full(shape, -np.inf)
        self.first_at, self.last_at = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self.smallest_at, self.largest_at = np.zeros(shape, np.int64), np.zeros(shape, np.int64)

    def take(self, cycle: int, figures: Array, counts: Array) -> None:
        """One cycle's figures; `counts` says for which mounts they count."""
        there = np.isfinite(figures) & counts
        smaller, larger = there & (figures < self.smallest), there & (figures > self.largest)
        if smaller.any():
            self.smallest[smaller], self.smallest_at[smaller] = figures[smaller], cycle
        if larger.any():
            self.largest[larger], self.largest_at[larger] = figures[larger], cycle
        fresh = there & (self.count == 0)
        if fresh.any():
            self.first[fresh], self.first_at[fresh] = figures[fresh], cycle
        self.last[there], self.last_at[there] = figures[there], cycle
        self.count += there

    def take_many(self, cycles: Array, figures: Array, mount: int) -> None:
        """Figures of earlier cycles of one mount (from 0): shape (figures, cycles), in their order."""
        for row in range(len(FIGURES)):
            there = np.flatnonzero(np.isfinite(figures[row]))
            if not there.size:
                continue
            column, place = figures[row][there], (row, mount)
            low, high = int(column.argmin()), int(column.argmax())
            self.count[place] += there.size
            self.first[place], self.first_at[place] = column[0], cycles[there[0]]
            self.last[place], self.last_at[place] = column[-1], cycles[there[-1]]
            self.smallest[place], self.smallest_at[place] = column[low], cycles[there[low]]
            self.largest[place], self.largest_at[place] = column[high], cycles[there[high]]

    def to_json(self, mount: int) -> dict[str, dict[str, Any]]:
        """What is kept of one mount (from 0), for the journal: each value with its cycle, and how many there were."""
        kept = {}
        for row, (name, unit) in enumerate(FIGURES.items()):
            place = (row, mount)
            if self.count[place]:
                points = zip(
                    ("first", "smallest", "largest", "last"),
                    (self.first, self.smallest, self.largest, self.last),
                    (self.first_at, self.smallest_at, self.largest_at, self.last_at),
                    strict=True,
                )
                kept[name] = {"unit": unit, "count": int(self.count[place])} | {
                    point: {"value": float(value[place]), "cycle": int(at[place])}
                    for point, value, at in points
                }
        return kept

    def values(self, mount: int, uncertainty: dict[str, Any]) -> dict[str, list[Value]]:
        """The values that limits are judged by, of one mount (from 0), each result's in the order of cycles.

        `uncertainty` gives for a result a function from a value to (expanded uncertainty, coverage factor).
        """
        found = {}
        for row, (name, unit) in enumerate(FIGURES.items()):
            if self.count[row, mount]:
                found[name] = self._values(row, mount, unit, uncertainty.get(name))
        return found

    def _values(self, row: int, mount: int, unit: str, uncertainty: Any) -> list[Value]:
        of = {
            int(at[row, mount]): float(value[row, mount])
            for value, at in (
                (self.first, self.first_at),
                (self.smallest, self.smallest_at),
                (self.largest, self.largest_at),
                (self.last, self.last_at),
            )
        }
        return [
            Value(cycle, value, unit, *(uncertainty(value) if uncertainty else (None, None)))
            for cycle, value in sorted(of.items())
        ]
