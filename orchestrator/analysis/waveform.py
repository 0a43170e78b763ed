"""A recorded waveform: raw codes with what is needed to read them in physical units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
CodeArray = NDArray[Any]


@dataclass(frozen=True)
class Accuracy:
    """The limits an instrument's maker or calibration states: half widths of rectangular distributions.

    `gain_fraction` of the reading, `offset_fraction_of_range` of the full-scale span from zero (half the
    whole span of a symmetrical range), `timebase_fraction` of any interval.
    """

    gain_fraction: float = 0.0
    offset_fraction_of_range: float = 0.0
    timebase_fraction: float = 0.0


@dataclass(frozen=True, eq=False)
class Channel:
    """One channel. The value of a sample is `code * scale + offset`, in `unit` (a base SI unit).

    `codes` is one-dimensional, of any integer or floating type. `full_scale` is the lowest and highest
    value the range can show, `bits` the converter's resolution over it; None where the file does not say.
    """

    name: str
    unit: str
    codes: CodeArray
    scale: float = 1.0
    offset: float = 0.0
    full_scale: tuple[float, float] | None = None
    bits: int | None = None
    accuracy: Accuracy | None = None

    def values(self, start: int = 0, stop: int | None = None) -> Array:
        """Samples `start` up to `stop` in physical units, as a new array of floats."""
        values: Array = self.codes[start:stop] * np.float64(self.scale)
        values += self.offset
        return values

    @property
    def range_value(self) -> float | None:
        """Full scale from zero (the larger side of the range) in `unit`; None if the file does not say."""
        return max(abs(self.full_scale[0]), abs(self.full_scale[1])) if self.full_scale else None

    @property
    def stated_step(self) -> float | None:
        """One code of the converter in `unit`, as far as the record states it."""
        if self.full_scale is not None and self.bits is not None:
            return (self.full_scale[1] - self.full_scale[0]) / 2.0**self.bits
        return abs(self.scale) if np.issubdtype(self.codes.dtype, np.integer) else None


@dataclass(frozen=True, eq=False)
class Waveform:
    """Channels sampled together at equal intervals; `first_s` is the time of sample 0 in the record.

    `notes` are things the reader of the file noticed that did not stop it; they become warnings of an
    analysis.
    """

    interval_s: float
    first_s: float
    channels: Mapping[str, Channel]
    notes: tuple[str, ...] = ()

    @property
    def samples(self) -> int:
        return min((len(channel.codes) for channel in self.channels.values()), default=0)
