"""Figures of one operating cycle (a make and a break) from the contact's voltage and current, all mounts at once.

Definitions, named from memory as the texts were not at hand: bounce time from the first make to the last
(IEC 61810-1); arcing time from the start of the arc, here the parting of the contact, to the end of the
current (IEV 441-17-37); break time to the same end (IEV 441-17-39). In a cycle's record times count from its
two triggers: the drive passing a position is what starts each.

Current and contact voltage while on are taken just before the break trigger, when an inrush is long over.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact_edges import (
    Breaks,
    Criteria,
    Flags,
    Makes,
    breaks,
    makes,
    open_states,
)
from orchestrator.analysis.contact_single import break_of, make_of, single_record
from orchestrator.analysis.waveform import Array

__all__ = ["Criteria", "CycleFigures", "RecordLayout", "cycle_figures", "figures_of_codes"]


@dataclass(frozen=True)
class RecordLayout:
    """How a cycle's record is laid out: make samples, then break samples, each with some before its trigger."""

    make_samples: int
    break_samples: int
    make_pre: int
    break_pre: int
    interval_s: float

    @property
    def samples(self) -> int:
        return self.make_samples + self.break_samples


FIGURES = (
    "make_time_s",
    "bounce_time_s",
    "bounce_count",
    "inrush_a",
    "steady_a",
    "drop_v",
    "break_time_s",
    "arcing_s",
)
FLAGS = ("open_before", "flowing_before", "made", "parted", "broke", "flowing_after")


@dataclass(frozen=True, eq=False)
class CycleFigures:
    """`rows` holds FIGURES, `flags` FLAGS, each with a column for each mount; NaN for a time that is not in the record.

    `steady_a` and `drop_v` are current and contact voltage while on: means of direct, r.m.s. of alternating
    quantities. `inrush_a` is the largest current of the make record, without sign. Flags: `open_before` and
    `flowing_before` the make, `made` (closed at the end of the make record and before the break trigger),
    `parted` (opened in the break record), `broke` (parted, and the current ended), `flowing_after` (at the end
    of the break record).
    """

    rows: Array
    flags: Flags

    def _row(self, place: int) -> Array:
        found: Array = self.rows[place]
        return found

    def _flag(self, place: int) -> Flags:
        found: Flags = self.flags[place]
        return found

    @property
    def mounts(self) -> int:
        return int(self.rows.shape[1])

    @property
    def make_time_s(self) -> Array:
        return self._row(0)

    @property
    def bounce_time_s(self) -> Array:
        return self._row(1)

    @property
    def bounce_count(self) -> NDArray[np.int64]:
        return self._row(2).astype(np.int64)

    @property
    def inrush_a(self) -> Array:
        return self._row(3)

    @property
    def steady_a(self) -> Array:
        return self._row(4)

    @property
    def drop_v(self) -> Array:
        return self._row(5)

    @property
    def break_time_s(self) -> Array:
        return self._row(6)

    @property
    def arcing_s(self) -> Array:
        return self._row(7)

    @property
    def open_before(self) -> Flags:
        return self._flag(0)

    @property
    def flowing_before(self) -> Flags:
        return self._flag(1)

    @property
    def made(self) -> Flags:
        return self._flag(2)

    @property
    def parted(self) -> Flags:
        return self._flag(3)

    @property
    def broke(self) -> Flags:
        return self._flag(4)

    @property
    def flowing_after(self) -> Flags:
        return self._flag(5)


def cycle_figures(
    contact_v: Array, current_a: Array, layout: RecordLayout, criteria: Criteria
) -> CycleFigures:
    """Figures of a cycle from arrays of shape (mounts, layout.samples), in V and A.

    Raises ValueError if the shapes do not fit the layout.
    """
    if contact_v.shape != current_a.shape or contact_v.shape[1:] != (layout.samples,):
        raise ValueError(
            f"records of shape {contact_v.shape} and {current_a.shape} do not fit {layout.samples} samples"
        )
    if len(contact_v) == 1:
        return _of_one(np.concatenate((contact_v, current_a)), layout, criteria)
    volts, amperes = np.abs(contact_v), np.abs(current_a)
    flowing = amperes > criteria.floor_a
    split, parting_at = layout.make_samples, layout.make_samples + layout.break_pre
    is_open = open_states(volts, amperes, criteria, layout.interval_s, split)
    make, on, rest = slice(0, split), slice(split, parting_at), slice(split, None)
    closing = makes(volts[:, make], flowing[:, make], is_open[:, make], criteria)
    opening = breaks(
        volts[:, rest], amperes[:, rest], flowing[:, rest], is_open[:, rest], criteria, layout.interval_s
    )
    kept = np.add.reduce(is_open[:, on], axis=1, dtype=np.int64) < layout.break_pre / 2
    pre = max(1, layout.make_pre)
    before = np.add.reduce(amperes[:, :pre], axis=1) > pre * criteria.floor_a
    inrush = np.maximum.reduce(amperes[:, make], axis=1)
    steady, drop = (
        _while_on(each[:, on], criteria.ac_hz, layout.interval_s) for each in (current_a, contact_v)
    )
    return _gathered(closing, opening, (before, kept), (inrush, steady, drop), layout)


def figures_of_codes(
    codes: NDArray[np.int16],
    volts_per_code: float,
    amperes_per_code: float,
    layout: RecordLayout,
    criteria: Criteria,
) -> CycleFigures:
    """The same from a recorder's codes, of shape (mounts, 2, samples): voltage and current of each mount."""
    if len(codes) == 1 and codes.shape[2] == layout.samples:
        return _of_one(codes[0] * _scale(volts_per_code, amperes_per_code), layout, criteria)
    volts, amperes = codes[:, 0] * np.float64(volts_per_code), codes[:, 1] * np.float64(amperes_per_code)
    return cycle_figures(volts, amperes, layout, criteria)


@lru_cache(maxsize=8)
def _scale(volts_per_code: float, amperes_per_code: float) -> Array:
    return np.array([[volts_per_code], [amperes_per_code]], dtype=np.float64)


def _gathered(
    closing: Makes,
    opening: Breaks,
    flags: tuple[Flags, Flags],
    sizes: tuple[Array, Array, Array],
    layout: RecordLayout,
) -> CycleFigures:
    interval_s = layout.interval_s
    arcing = np.maximum(opening.extinction - opening.parting, 0.0)
    rows = np.array(
        (
            (closing.first - layout.make_pre) * interval_s,
            (closing.last - closing.first) * interval_s,
            closing.reopenings,
            *sizes,
            (opening.extinction - layout.break_pre) * interval_s,
            arcing * interval_s,
        ),
        dtype=np.float64,
    )
    made, broke = closing.closed_last & flags[1], opening.opened & ~opening.flowing_last
    found = (closing.open_first, flags[0], made, opening.opened, broke, opening.flowing_last)
    return CycleFigures(rows, np.array(found))


def _of_one(values: Array, layout: RecordLayout, criteria: Criteria) -> CycleFigures:
    """The same of one mount, faster. `values` is of shape (2, samples): voltage and current."""
    interval_s, split = layout.interval_s, layout.make_samples
    record = single_record(values, criteria, interval_s, split)
    first, last, reopenings, open_first, closed_last = make_of(record, criteria)
    parting, extinction, opened, flowing_last = break_of(record, criteria, interval_s)
    parting_at, pre = split + layout.break_pre, max(1, layout.make_pre)
    kept = record.is_open.count(1, split, parting_at) < layout.break_pre / 2
    before = sum(record.amperes[:pre].tolist()) > pre * criteria.floor_a
    drop, steady = _while_on(values[:, split:parting_at], criteria.ac_hz, interval_s).tolist()
    rows = (
        (first - layout.make_pre) * interval_s,
        (last - first) * interval_s,
        reopenings,
        np.maximum.reduce(record.amperes[:split]),
        steady,
        drop,
        (extinction - layout.break_pre) * interval_s,
        (0.0 if extinction < parting else extinction - parting) * interval_s,
    )
    flags = (open_first, before, closed_last and kept, opened, opened and not flowing_last, flowing_last)
    return CycleFigures(np.array(rows, np.float64).reshape(8, 1), np.array(flags, np.bool_).reshape(6, 1))


def _while_on(values: Array, ac_hz: float, interval_s: float) -> Array:
    """The mean's size, or the r.m.s. of the sine fitted to a stretch that need not be whole periods."""
    samples = values.shape[1]
    if ac_hz == 0.0:
        return np.asarray(np.abs(np.add.reduce(values, axis=1) / samples), dtype=np.float64)
    parts = values @ _sine_fit(samples, ac_hz * interval_s)
    return np.asarray(np.sqrt(0.5 * (parts * parts).sum(axis=1)), dtype=np.float64)


@lru_cache(maxsize=8)
def _sine_fit(samples: int, periods_per_sample: float) -> Array:
    """Shape (samples, 2): a record times this gives the sine and cosine amplitude of its least-squares fit."""
    phase = 2.0 * np.pi * periods_per_sample * np.arange(samples)
    return np.asarray(np.linalg.pinv(np.column_stack((np.sin(phase), np.cos(phase)))).T, dtype=np.float64)
