"""When a contact opens and closes, from its voltage and current: arrays of one row for each mount.

Open is a contact whose voltage stands above the open criterion. The criterion lies between the boiling
voltage of the contact material (a molten bridge still conducts, below about 1 V) and its least arc voltage
(about 10 V to 13 V), so that a contact that has parted and arcs counts as open. Seen: abstract of the chapter
on testing contact materials (Witter, Rieder) in Slade, Electrical Contacts. The voltages are from memory.

Alternating voltage across an open contact passes through zero twice in each period. A stretch of low voltage
is such a zero if no current flows in it and it lasts no longer than the supply stays below the criterion;
else it is a closed contact. What happens within such a zero cannot be seen.

The few numbers of one mount are computed in as few calls as can be: they are most of the time of a cycle.

Contacts move faster than they are sampled: the instant of a jump is taken in the middle between the two
samples around it. Where the voltage passes the criterion slowly it is interpolated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.waveform import Array

Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]
FLOWING = 0.05  # of the rated current: less is no current
ZERO_MARGIN = 1.5  # by how much a zero of the supply may be longer than computed, and
ZERO_SAMPLES = 2.0  # how many samples besides
AROUND = np.array([[-1], [0], [1]])
TAIL_SAMPLES = 8  # at the end of a record, whose mean tells whether a current flows on
PAUSE_SAMPLES = 3  # without current after which an arc has ended; more where they are close together
TAIL_PERIODS = 0.05
STRAIGHT_SAMPLES = 3.0  # within which a falling current must reach zero, to be followed there
RAMP_SAMPLES = 4  # over which the fall of a slowly ending current is taken
RAMP_SHARE = 0.1  # of the arcing, or RAMP_SAMPLES: the most by which its end is extrapolated


@dataclass(frozen=True)
class Criteria:
    """What tells open from closed and current from none.

    `ac_hz` is 0 for direct voltage. `flowing_above_a` is the least current that counts as one; None is
    FLOWING of the rated current. Below five times the noise of a sample the end of a current is found too late.
    """

    open_above_v: float
    rated_a: float
    ac_hz: float = 0.0
    flowing_above_a: float | None = None

    @property
    def floor_a(self) -> float:
        return FLOWING * self.rated_a if self.flowing_above_a is None else self.flowing_above_a


@dataclass(frozen=True, eq=False)
class Makes:
    """Closing of each mount. Instants are in samples, NaN where a mount was not open at first or never closed."""

    first: Array
    last: Array
    reopenings: NDArray[np.int64]  # after the first make; 0 where there is none
    open_first: Flags  # before anything happened
    closed_last: Flags  # at the end of the record


@dataclass(frozen=True, eq=False)
class Breaks:
    """Opening of each mount. Instants are in samples, NaN where there is none in the record."""

    parting: Array
    extinction: Array  # end of the current
    opened: Flags
    flowing_last: Flags  # current flows at the end of the record


def open_states(
    volts: Array, amperes: Array, criteria: Criteria, interval_s: float, split: int | None = None
) -> Flags:
    """Which samples show an open contact; voltage and current are sizes without sign.

    `split` is the sample at which a second record begins in each row.
    """
    high: Flags = volts > criteria.open_above_v
    if criteria.ac_hz == 0.0:
        return high
    low_for = zero_samples(np.maximum.reduce(volts, axis=1), criteria, interval_s)
    return _zeros_bridged(high, amperes, criteria.floor_a, low_for, split or 0)


def zero_samples(peak_v: Array, criteria: Criteria, interval_s: float) -> Array:
    """For how many samples the voltage across an open contact may stay below the criterion at a zero."""
    part = np.minimum(criteria.open_above_v / np.maximum(peak_v, 1e-12), 1.0)
    low_s = np.arcsin(part) / (np.pi * criteria.ac_hz)
    return np.asarray(ZERO_MARGIN * low_s / interval_s + ZERO_SAMPLES, dtype=np.float64)


def _zeros_bridged(high: Flags, amperes: Array, floor_a: float, low_for: Array, split: int) -> Flags:
    """Stretches of low voltage that are zeros of the supply become open."""
    mounts, samples = high.shape
    changes = np.empty((mounts, samples), dtype=np.bool_)
    np.not_equal(high[:, 1:], high[:, :-1], out=changes[:, 1:])
    changes[:, 0] = changes[:, split] = True
    starts = np.flatnonzero(changes)
    lengths = np.empty_like(starts)
    np.subtract(starts[1:], starts[:-1], out=lengths[:-1])
    lengths[-1] = high.size - starts[-1]
    conducting = np.add.reduceat(amperes.ravel(), starts) > floor_a * lengths  # its mean: noise is no current
    brief = lengths <= low_for[starts // samples]
    stays_open = high.ravel()[starts] | (brief & ~conducting)
    return np.repeat(stays_open, lengths).reshape(mounts, samples)


def makes(volts: Array, flowing: Flags, is_open: Flags, criteria: Criteria) -> Makes:
    """First and last make and the reopenings between them."""
    samples = is_open.shape[1]
    open_first, closed_last = is_open[:, 0], ~is_open[:, -1]
    closed = is_open.argmin(axis=1)
    settled = samples - is_open[:, ::-1].argmax(axis=1)
    rises = np.add.reduce(is_open[:, 1:] > is_open[:, :-1], axis=1, dtype=np.int64)
    at = np.maximum(np.minimum(np.array((closed, settled)), samples - 1), 1)
    first, last = _instants(volts, flowing, at, criteria, -1.0)
    if np.count_nonzero(open_first & closed_last) < len(closed):
        ever = open_first & (closed > 0)
        first = np.where(ever, first, np.nan)
        last = np.where(ever & closed_last, last, np.nan)
        rises = np.where(ever, rises, 0)
    return Makes(first, last, rises, open_first, closed_last)


def _instants(volts: Array, flowing: Flags, at: Indices, criteria: Criteria, direction: float) -> Array:
    """The instants between samples `at - 1` and `at` (any number of rows of one index for each mount).

    `direction` is -1.0 where the voltage falls (a make) and 1.0 where it rises.
    """
    mounts, level = np.arange(at.shape[-1]), criteria.open_above_v
    before, after = volts[mounts, at - 1], volts[mounts, at]
    middle: Array = np.asarray(at - 0.5, dtype=np.float64)
    slow = (after - before if direction > 0.0 else before - after) <= level
    if not np.count_nonzero(slow):
        return middle
    if criteria.ac_hz > 0.0 and direction < 0.0:
        return np.where(slow, [_until_current(flowing, row) for row in at], middle)
    return np.where(slow, at - 1 + _passed(before, after, level), middle)


def _until_current(flowing: Flags, at: Indices) -> Array:
    """A make within a zero of the supply: halfway from where the voltage fell to where current flows."""
    later = flowing & (np.arange(flowing.shape[1]) >= at[:, None])
    current = np.where(later.any(axis=1), later.argmax(axis=1), at)
    return np.asarray(0.5 * (at + current) - 0.5, dtype=np.float64)


def _passed(before: Array, after: Array, level: float) -> Array:
    """Where between two samples the level is passed, 0 to 1; the middle where they do not enclose it."""
    change = after - before
    encloses = (before - level) * (after - level) <= 0.0
    part = (level - before) / np.where(change == 0.0, 1.0, change)
    return np.where(encloses & (change != 0.0), part, 0.5)


def breaks(
    volts: Array, amperes: Array, flowing: Flags, is_open: Flags, criteria: Criteria, interval_s: float
) -> Breaks:
    """Parting and the end of the current; `amperes` are sizes without sign."""
    samples = is_open.shape[1]
    parted = is_open.argmax(axis=1)
    opened = parted > 0  # a mount open from the start does not part
    ended = samples - 1 - flowing[:, ::-1].argmax(axis=1)
    tail = tail_samples(criteria, interval_s)
    flowing_last = np.add.reduce(amperes[:, -tail:], axis=1) > tail * criteria.floor_a
    flowing_last &= ~opened | (
        ended >= samples - pause_samples(criteria, interval_s)
    )  # an arc that ended does not flow on
    parting = _instants(volts, flowing, np.maximum(parted, 1), criteria, 1.0)
    extinction = _extinctions(amperes, np.minimum(np.maximum(ended, 1), samples - 2), parting)
    cut = opened & ~flowing_last & flowing[np.arange(len(ended)), ended]
    if np.count_nonzero(cut) < len(cut):
        parting = np.where(opened, parting, np.nan)
        extinction = np.where(cut, extinction, np.nan)
    return Breaks(parting, extinction, opened, flowing_last)


def tail_samples(criteria: Criteria, interval_s: float) -> int:
    """Over how many of the last samples the current's mean tells whether it flows on: more than an a.c. zero."""
    if criteria.ac_hz == 0.0:
        return TAIL_SAMPLES
    return max(TAIL_SAMPLES, math.ceil(TAIL_PERIODS / (criteria.ac_hz * interval_s)))


def pause_samples(criteria: Criteria, interval_s: float) -> int:
    """How long no current is seen about the zero of one that flows on."""
    if criteria.ac_hz == 0.0:
        return PAUSE_SAMPLES
    part = min(criteria.floor_a / criteria.rated_a, 1.0)
    return max(PAUSE_SAMPLES, 1 + math.ceil(math.asin(part) / (math.pi * criteria.ac_hz * interval_s)))


def _extinctions(amperes: Array, last: Indices, parting: Array) -> Array:
    """The end of the current after sample `last` of each row, the last one in which it flows.

    A current that is cut ends halfway to the next sample; one that was falling is followed to zero.
    """
    mounts = np.arange(len(last))
    ahead, here, there = amperes[mounts, last + AROUND]
    falling = ahead - here
    straight, slow = here <= STRAIGHT_SAMPLES * falling, there >= 0.5 * here
    if not np.count_nonzero(straight | slow):
        return np.asarray(last + 0.5, dtype=np.float64)
    after = np.where(straight, here / np.maximum(falling, 1e-30), 0.5)
    start = np.maximum(last + 1 - RAMP_SAMPLES, 0)
    per_sample = np.maximum((amperes[mounts, start] - there) / (last + 1 - start), 1e-30)
    most = np.maximum(RAMP_SHARE * (last - parting), RAMP_SAMPLES)
    return np.asarray(last + np.where(slow, np.clip(here / per_sample, 0.5, most), after), dtype=np.float64)
