"""Reading raw codes without copying them: scans in pieces, windows as floats, block means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.local_fit import MOST_POINTS
from orchestrator.analysis.waveform import Array, CodeArray

PIECE = 1 << 17  # samples looked at together: fits in cache, and no temporary grows with the record


@dataclass(frozen=True, eq=False)
class Trace:
    """Codes as an impulse that starts at zero and rises: height = sign * (code - base)."""

    codes: CodeArray
    sign: float
    base: float

    def __len__(self) -> int:
        return len(self.codes)

    def heights(self, start: int, stop: int) -> Array:
        heights: Array = self.codes[max(start, 0) : max(stop, 0)].astype(np.float64)
        heights -= self.base
        if self.sign < 0:
            np.negative(heights, out=heights)
        return heights

    def points(self, start: int, stop: int, most: int = MOST_POINTS) -> Points:
        """Samples `start` up to `stop` as about `most` points or fewer, averaged in blocks if need be."""
        start, stop = max(start, 0), min(stop, len(self))
        block = max(1, (stop - start) // most)
        return self.blocks(start, stop, block)

    def blocks(self, start: int, stop: int, block: int) -> Points:
        """Means of consecutive blocks of `block` samples; a remainder shorter than a block is left out."""
        start, stop = max(start, 0), min(stop, len(self))
        if block <= 1:
            return Points(float(start), 1, self.heights(start, stop))
        count = (stop - start) // block
        means: Array = (
            self.codes[start : start + count * block].reshape(count, block).mean(1, dtype=np.float64)
        )
        return Points(start + (block - 1) / 2.0, block, self.sign * (means - self.base))

    def first_reaching(self, level: float, start: int) -> int | None:
        """Index of the first sample from `start` on whose height is at least `level`."""
        for at, heights in self._forwards(start):
            hits = heights >= level
            if hits.any():
                return at + int(hits.argmax())
        return None

    def first_under(self, level: float, start: int) -> int | None:
        """Index of the first sample from `start` on whose height is below `level`."""
        for at, heights in self._forwards(start):
            hits = heights < level
            if hits.any():
                return at + int(hits.argmax())
        return None

    def last_under(self, level: float, before: int) -> int | None:
        """Index of the last sample before `before` whose height is below `level`."""
        for stop in range(before, 0, -PIECE):
            start = max(stop - PIECE, 0)
            hits = self.heights(start, stop) < level
            if hits.any():
                return stop - 1 - int(hits[::-1].argmax())
        return None

    def first_mean_under(self, level: float, start: int, block: int) -> int | None:
        """Start of the first block of `block` samples, from `start` on, whose mean is below `level`."""
        for at in range(start, len(self), PIECE * block):
            means = self.blocks(at, at + PIECE * block, block).values
            hits = means < level
            if hits.any():
                return at + block * int(hits.argmax())
        return None

    def first_jump(self, size: float, start: int, stop: int) -> int | None:
        """Index of the first sample from `start` to `stop` that is over `size` higher than the one before."""
        for at in range(start, min(stop, len(self)), PIECE):
            hits = np.diff(self.heights(at, min(at + PIECE + 1, stop))) > size
            if hits.any():
                return at + 1 + int(hits.argmax())
        return None

    def _forwards(self, start: int) -> Iterator[tuple[int, Array]]:
        for at in range(start, len(self), PIECE):
            yield at, self.heights(at, at + PIECE)


@dataclass(frozen=True, eq=False)
class Points:
    """Equally spaced values: point k is the mean of `block` samples centred at position first + k * block."""

    first: float
    block: int
    values: Array

    def position(self, index: float) -> float:
        return self.first + index * self.block

    def index(self, position: float) -> int:
        return int(np.clip(round((position - self.first) / self.block), 0, max(len(self.values) - 1, 0)))

    def smoothed(self, width_samples: float) -> Points:
        """Centred moving mean over about `width_samples`; at the ends over what there is."""
        half = int(width_samples / self.block / 2)
        if half < 1:
            return self
        sums = np.concatenate(([0.0], np.cumsum(self.values)))
        middle = np.arange(len(self.values))
        low, high = np.maximum(middle - half, 0), np.minimum(middle + half + 1, len(self.values))
        return Points(self.first, self.block, (sums[high] - sums[low]) / (high - low))

    def last_under(self, level: float, before: int) -> int | None:
        hits = np.flatnonzero(self.values[: max(before, 0)] < level)
        return int(hits[-1]) if hits.size else None

    def first_reaching(self, level: float, start: int) -> int | None:
        hits = np.flatnonzero(self.values[start:] >= level)
        return start + int(hits[0]) if hits.size else None

    def first_under(self, level: float, start: int) -> int | None:
        hits = np.flatnonzero(self.values[start:] < level)
        return start + int(hits[0]) if hits.size else None
