"""The figures of a cycle of one mount, in as few calls as can be: the rules are those of `contact_edges`.

A bench with one mount asks for them in every cycle, and of arrays with one row nearly all the time goes into calling.
So the flags of the samples are searched as bytes, and instants are plain numbers. The results are the same to the last
bit as those of the same record among several; a test holds that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact_edges import (
    RAMP_SAMPLES,
    RAMP_SHARE,
    STRAIGHT_SAMPLES,
    Criteria,
    pause_samples,
    tail_samples,
    zero_samples,
)
from orchestrator.analysis.waveform import Array

Instants = tuple[float, float]


@dataclass(frozen=True, slots=True)
class SingleRecord:
    """One mount's record: sizes without sign, and for each sample a byte that is 1 where the contact is open, or where
    current flows. The make record ends before sample `split`."""

    volts: Array
    amperes: Array
    is_open: bytes
    flowing: bytes
    split: int


def single_record(values: Array, criteria: Criteria, interval_s: float, split: int) -> SingleRecord:
    """From voltage and current, of shape (2, samples)."""
    sizes = np.abs(values)
    above = (sizes > _levels(criteria)).tobytes()
    volts, amperes = sizes
    is_open, flowing = above[: len(volts)], above[len(volts) :]
    if criteria.ac_hz:
        low_for = float(zero_samples(np.maximum.reduce(volts, keepdims=True), criteria, interval_s)[0])
        is_open = _zeros_bridged(is_open, amperes, criteria.floor_a, low_for, split)
    return SingleRecord(volts, amperes, is_open, flowing, split)


@lru_cache(maxsize=8)
def _levels(criteria: Criteria) -> Array:
    return np.array([[criteria.open_above_v], [criteria.floor_a]])


def _zeros_bridged(is_open: bytes, amperes: Array, floor_a: float, low_for: float, split: int) -> bytes:
    """Stretches of low voltage that are zeros of the supply become open; one does not go on behind `split`."""
    bridged, samples = bytearray(is_open), len(is_open)
    start = is_open.find(0)
    while start >= 0:
        end = is_open.find(1, start)
        end = samples if end < 0 else end
        if start < split < end:
            end = split
        length = end - start
        if length <= low_for and not _mean_is_above(amperes[start:end], floor_a):
            bridged[start:end] = b"\1" * length
        start = is_open.find(0, end)
    return bytes(bridged)


def _mean_is_above(amperes: NDArray[np.float64], floor_a: float) -> bool:
    return bool(np.add.reduceat(amperes, [0])[0] > floor_a * len(amperes))


def make_of(record: SingleRecord, criteria: Criteria) -> tuple[float, float, int, bool, bool]:
    """First and last make, reopenings, whether it was open at first, and closed at the end of the make record."""
    is_open, split = record.is_open, record.split
    open_first, closed_last = is_open[0] == 1, is_open[split - 1] == 0
    closed = max(is_open.find(0, 0, split), 0)
    settled = is_open.rfind(1, 0, split) + 1 or split
    highest = split - 1
    ever = open_first and closed > 0
    first = _instant(record, max(min(closed, highest), 1), criteria, -1.0) if ever else math.nan
    last = math.nan
    if ever and closed_last:
        last = _instant(record, max(min(settled, highest), 1), criteria, -1.0)
    return first, last, is_open.count(b"\0\1", 0, split) if ever else 0, open_first, closed_last


def break_of(record: SingleRecord, criteria: Criteria, interval_s: float) -> tuple[float, float, bool, bool]:
    """Parting and end of the current in samples of the break record, whether it opened, and whether current flows at
    the end."""
    is_open, flowing, split = record.is_open, record.flowing, record.split
    samples = len(is_open) - split
    parted = max(is_open.find(1, split) - split, 0)
    ended = flowing.rfind(1, split) - split
    ended = ended if ended >= 0 else samples - 1
    opened, tail = parted > 0, tail_samples(criteria, interval_s)
    flowing_last = sum(record.amperes[-tail:].tolist()) > tail * criteria.floor_a
    if opened and ended < samples - pause_samples(criteria, interval_s):
        flowing_last = False  # an arc that ended does not flow on
    if not opened:
        return math.nan, math.nan, False, flowing_last
    parting = _instant(record, parted, criteria, 1.0, split)
    if flowing_last or not flowing[split + ended]:
        return parting, math.nan, True, flowing_last
    return parting, _extinction(record, min(max(ended, 1), samples - 2), parting), True, False


def _instant(record: SingleRecord, at: int, criteria: Criteria, direction: float, begins: int = 0) -> float:
    """The instant between samples `at - 1` and `at` of the half that begins at sample `begins`.

    `direction` is -1.0 where the voltage falls (a make, in the first half), 1.0 where it rises.
    """
    before, after = record.volts.item(begins + at - 1), record.volts.item(begins + at)
    level = criteria.open_above_v
    if (after - before if direction > 0.0 else before - after) > level:
        return at - 0.5
    if criteria.ac_hz > 0.0 and direction < 0.0:
        current = record.flowing.find(1, at, record.split)
        return 0.5 * (at + (current if current >= 0 else at)) - 0.5
    return at - 1 + _passed(before, after, level)


def _passed(before: float, after: float, level: float) -> float:
    change = after - before
    if change == 0.0 or (before - level) * (after - level) > 0.0:
        return 0.5
    return (level - before) / change


def _extinction(record: SingleRecord, last: int, parting: float) -> float:
    """The end of the current after sample `last` of the break record."""
    of = record.amperes.item
    at = record.split + last
    ahead, here, there = of(at - 1), of(at), of(at + 1)
    falling = ahead - here
    straight, slow = here <= STRAIGHT_SAMPLES * falling, there >= 0.5 * here
    if slow:
        start = max(last + 1 - RAMP_SAMPLES, 0)
        per_sample = max((of(record.split + start) - there) / (last + 1 - start), 1e-30)
        most = max(RAMP_SHARE * (last - parting), RAMP_SAMPLES)
        return last + min(max(here / per_sample, 0.5), most)
    return last + (here / max(falling, 1e-30) if straight else 0.5)
