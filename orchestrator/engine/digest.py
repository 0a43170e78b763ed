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


BLOCK = (
    64  # cycles whose figures are taken in together: of one cycle's few numbers, most of the time is calling
)


class Digest:
    """Arrays of shape (figures, mounts); a figure that a cycle did not give is not a number there."""

    def __init__(self, mounts: int) -> None:
        shape = (len(FIGURES), mounts)
        self._count = np.zeros(shape, np.int64)
        self._first, self._last = np.full(shape, np.nan), np.full(shape, np.nan)
        self._smallest, self._largest = np.full(shape, np.inf), np.full(shape, -np.inf)
        self._first_at, self._last_at = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self._smallest_at, self._largest_at = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self._block = np.empty((BLOCK, *shape))
        self._cycles: list[int] = []  # of the block's rows

    @property
    def count(self) -> Array:
        """How many there were."""
        self._take_in()
        return self._count

    @property
    def first(self) -> Array:
        """The first of each."""
        self._take_in()
        return self._first

    @property
    def last(self) -> Array:
        """The last of each."""
        self._take_in()
        return self._last

    def take(self, cycle: int, figures: Array, counts: Array | None = None) -> None:
        """One cycle's figures; `counts` says for which mounts they count, None for all."""
        block = self._block[len(self._cycles)]
        block[:] = figures
        if counts is not None:
            block[:, ~counts] = np.nan
        self._cycles.append(cycle)
        if len(self._cycles) == BLOCK:
            self._take_in()

    def _take_in(self) -> None:
        """The cycles since the last time, as if they came one after the other."""
        if not self._cycles:
            return
        cycles, values = np.array(self._cycles), self._block[: len(self._cycles)]
        self._cycles = []
        there = np.isfinite(values)
        some = there.any(axis=0)
        first, last = there.argmax(axis=0), len(cycles) - 1 - there[::-1].argmax(axis=0)
        low = np.where(there, values, np.inf).argmin(axis=0)
        high = np.where(there, values, -np.inf).argmax(axis=0)
        for at, where, kept, kept_at in (
            (first, some & (self._count == 0), self._first, self._first_at),
            (last, some, self._last, self._last_at),
            (low, some & (_of(values, low) < self._smallest), self._smallest, self._smallest_at),
            (high, some & (_of(values, high) > self._largest), self._largest, self._largest_at),
        ):
            kept[where], kept_at[where] = _of(values, at)[where], cycles[at[where]]
        self._count += there.sum(axis=0)

    def take_many(self, cycles: Array, figures: Array, mount: int) -> None:
        """Figures of earlier cycles of one mount (from 0): shape (figures, cycles), in their order; behind those that
        were taken before, where a run went on more than once."""
        self._take_in()
        for row in range(len(FIGURES)):
            there = np.flatnonzero(np.isfinite(figures[row]))
            if not there.size:
                continue
            column, place = figures[row][there], (row, mount)
            low, high = int(column.argmin()), int(column.argmax())
            if not self._count[place]:
                self._first[place], self._first_at[place] = column[0], cycles[there[0]]
            self._count[place] += there.size
            self._last[place], self._last_at[place] = column[-1], cycles[there[-1]]
            if column[low] < self._smallest[place]:
                self._smallest[place], self._smallest_at[place] = column[low], cycles[there[low]]
            if column[high] > self._largest[place]:
                self._largest[place], self._largest_at[place] = column[high], cycles[there[high]]

    def to_json(self, mount: int) -> dict[str, dict[str, Any]]:
        """What is kept of one mount (from 0), for the journal: each value with its cycle, and how many there were."""
        self._take_in()
        kept = {}
        for row, (name, unit) in enumerate(FIGURES.items()):
            place = (row, mount)
            if self._count[place]:
                points = zip(
                    ("first", "smallest", "largest", "last"),
                    (self._first, self._smallest, self._largest, self._last),
                    (self._first_at, self._smallest_at, self._largest_at, self._last_at),
                    strict=True,
                )
                kept[name] = {"unit": unit, "count": int(self._count[place])} | {
                    point: {"value": float(value[place]), "cycle": int(at[place])}
                    for point, value, at in points
                }
        return kept

    def values(self, mount: int, uncertainty: dict[str, Any]) -> dict[str, list[Value]]:
        """The values that limits are judged by, of one mount (from 0), each result's in the order of cycles.

        `uncertainty` gives for a result a function from a value to (expanded uncertainty, coverage factor).
        """
        self._take_in()
        found = {}
        for row, (name, unit) in enumerate(FIGURES.items()):
            if self._count[row, mount]:
                found[name] = self._values(row, mount, unit, uncertainty.get(name))
        return found

    def _values(self, row: int, mount: int, unit: str, uncertainty: Any) -> list[Value]:
        of = {
            int(at[row, mount]): float(value[row, mount])
            for value, at in (
                (self._first, self._first_at),
                (self._smallest, self._smallest_at),
                (self._largest, self._largest_at),
                (self._last, self._last_at),
            )
        }
        return [
            Value(cycle, value, unit, *(uncertainty(value) if uncertainty else (None, None)))
            for cycle, value in sorted(of.items())
        ]


def _of(values: Array, at: Array) -> Array:
    """The value of each figure and mount at the place of its own."""
    found: Array = np.take_along_axis(values, at[np.newaxis], axis=0)[0]
    return found
