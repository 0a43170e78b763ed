"""A long series drawn together, so that a plot stays small and hides nothing: smallest, median, largest of each bin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
MOST_BINS = 300


@dataclass(frozen=True)
class Bands:
    """Bins of equal width in cycles, without those that hold no value: their middle, and what lies in them."""

    at: Array
    smallest: Array
    median: Array
    largest: Array


def bands(cycle: Array, values: Array, most_bins: int = MOST_BINS) -> Bands:
    """Draw values (n,) over their cycles (n,) together; not-a-number is left out, every extreme value is kept."""
    there = np.isfinite(values)
    cycle, values = cycle[there], values[there]
    if not len(cycle):
        none = np.empty(0)
        return Bands(none, none, none, none)
    first, span = int(cycle.min()), int(cycle.max() - cycle.min()) + 1
    bins = min(most_bins, span)
    place = (cycle - first) * bins // span
    order = np.argsort(place, kind="stable")
    place, values = place[order], values[order]
    held, begins = np.unique(place, return_index=True)
    middle = first + (held + 0.5) * span / bins - 0.5
    parts = np.split(values, begins[1:])
    median = np.array([np.median(part) for part in parts])
    smallest, largest = np.minimum.reduceat(values, begins), np.maximum.reduceat(values, begins)
    return Bands(middle, smallest, median, largest)
