"""Figures of one operating cycle (a make and a break) from the contact's voltage and current, all mounts at once.

Definitions, named from memory as the texts were not at hand: bounce time from the first make to the last
(IEC 61810-1); arcing time from the start of the arc, here the parting of the contact, to the end of the
current (IEV 441-17-37); break time to the same end (IEV 441-17-39). In a cycle's record times count from its
two triggers: the drive passing a position is what starts each.

Current and contact voltage while on are taken just before the break trigger, when an inrush is long over.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

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

__all__ = ["Criteria", "CycleFigures", "RecordLayout", "cycle_figures"]


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


@dataclass(frozen=True, eq=False)
class CycleFigures:
    """One value for each mount; NaN for a time that is not in the record.

    `steady_a` and `drop_v` are current and contact voltage while on: means of direct, r.m.s. of alternating
    quantities. `inrush_a` is the largest current of the make record, without sign. Flags: `open_before` and
    `flowing_before` the make, `made` (closed at the end of the make record and before the break trigger),
    `parted` (opened in the break record), `broke` (parted, and the current ended), `flowing_after` (at the end
    of the break record).
    """

    make_time_s: Array
    bounce_time_s: Array
    bounce_count: NDArray[np.int64]
    inrush_a: Array
    steady_a: Array
    drop_v: Array
    break_time_s: Array
    arcing_s: Array
    open_before: Flags
    flowing_before: Flags
    made: Flags
    parted: Flags
    broke: Flags
    flowing_after: Flags

    @cached_property
    def matrix(self) -> Array:
        """The figures as rows, in the order above, a column for each mount."""
        times = (self.make_time_s, self.bounce_time_s, self.bounce_count)
        sizes = (self.inrush_a, self.steady_a, self.drop_v)
        return np.array((*times, *sizes, self.break_time_s, self.arcing_s))


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
        return _of_one(contact_v, current_a, layout, criteria)
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


def _gathered(
    closing: Makes,
    opening: Breaks,
    flags: tuple[Flags, Flags],
    sizes: tuple[Array, Array, Array],
    layout: RecordLayout,
) -> CycleFigures:
    interval_s = layout.interval_s
    arcing = np.maximum(opening.extinction - opening.parting, 0.0)
    return CycleFigures(
        make_time_s=(closing.first - layout.make_pre) * interval_s,
        bounce_time_s=(closing.last - closing.first) * interval_s,
        bounce_count=closing.reopenings,
        inrush_a=sizes[0],
        steady_a=sizes[1],
        drop_v=sizes[2],
        break_time_s=(opening.extinction - layout.break_pre) * interval_s,
        arcing_s=arcing * interval_s,
        open_before=closing.open_first,
        flowing_before=flags[0],
        made=closing.closed_last & flags[1],
        parted=opening.opened,
        broke=opening.opened & ~opening.flowing_last,
        flowing_after=opening.flowing_last,
    )


def _of_one(contact_v: Array, current_a: Array, layout: RecordLayout, criteria: Criteria) -> CycleFigures:
    """The same of one mount, faster."""
    interval_s, split = layout.interval_s, layout.make_samples
    record = single_record(np.abs(contact_v[0]), np.abs(current_a[0]), criteria, interval_s, split)
    first, last, reopenings, open_first, closed_last = make_of(record, criteria)
    parting, extinction, opened, flowing_last = break_of(record, criteria, interval_s)
    parting_at, pre = split + layout.break_pre, max(1, layout.make_pre)
    kept = record.is_open.count(1, split, parting_at) < layout.break_pre / 2
    before = np.add.reduce(record.amperes[:pre]) > pre * criteria.floor_a
    rows = np.empty((8, 1))
    rows[:, 0] = (
        (first - layout.make_pre) * interval_s,
        (last - first) * interval_s,
        reopenings,
        np.maximum.reduce(record.amperes[:split]),
        _while_on(current_a[:, split:parting_at], criteria.ac_hz, interval_s)[0],
        _while_on(contact_v[:, split:parting_at], criteria.ac_hz, interval_s)[0],
        (extinction - layout.break_pre) * interval_s,
        (0.0 if extinction < parting else extinction - parting) * interval_s,
    )
    make_time, bounce_time, count, inrush, steady, drop, break_time, arcing = rows
    made, broke = closed_last and kept, opened and not flowing_last
    flags = np.array(((open_first,), (before,), (made,), (opened,), (broke,), (flowing_last,)))
    found = CycleFigures(
        make_time, bounce_time, count.astype(np.int64), inrush, steady, drop, break_time, arcing, *flags
    )
    vars(found)["matrix"] = rows  # it is there already
    return found


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
