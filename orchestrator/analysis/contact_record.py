"""A make or a break read from one record of a contact's voltage and current, from wherever it comes.

The same edges as in a run's cycles (contact_edges), with criteria that the record shows (contact_levels). An
instant's half width is what can hide in it: half a sampling interval, and at an alternating supply the zero
in which a contact moves unseen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from orchestrator.analysis.contact_edges import Breaks, Flags, breaks, makes, open_states
from orchestrator.analysis.contact_levels import Levels, OneLevel, levels_of, require_no_plateau
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array, Channel

FLOWING_AT_END = 0.02  # of the current: less is none, in a break
GLITCH_NOISE = 3.0  # standard deviations over a level within which a single sample is noise
STEADY_PART = 4  # the drop is read from the last part of what follows the last make
FEWEST_SETTLED = 8  # samples after the last make
FEWEST_STATES = 6  # of a bounce before it can be too fast for the sampling
UNSTEADY = 0.02  # by which a current may change while the drop is read, and
UNSTEADY_NOISE = 6.0  # standard deviations of its mean
LATE_BOUNCE_S = 1e-3  # after the last make that is seen, in which another may hide in a zero of the supply
FALL_FROM = 4.0  # times the least current: where the end of a falling one begins
FEWEST_FALLING = 3  # samples in it
EARLY_END = 2.0  # samples by which a direct current may end before the contact parts
HELP_EARLIER = "Check trigger and pre-trigger."


@dataclass(frozen=True)
class Instant:
    """When something happened, from sample 0; `slope_per_s` is how fast the channel passed its level there."""

    time_s: float
    half_width_s: float
    slope_per_s: float
    role: str = "voltage"


@dataclass(frozen=True)
class Drop:
    """The steady voltage across the closed contact: a mean along the open voltage's sign, or an r.m.s. value.

    Over whole periods (`balanced`) a constant offset does not count.
    """

    value: float
    samples: int
    window_s: tuple[float, float]
    balanced: bool


@dataclass(frozen=True, eq=False)
class ContactFigures:
    """What was read off the record, in seconds from sample 0.

    `brief` reopenings last one sample alone; `zeros` of the supply lie within the bounce or just after
    it, and what the contact does in them is not seen.
    """

    interval_s: float
    levels: Levels
    is_open: Flags
    instants: Mapping[str, Instant]
    reopenings: int = 0
    brief: int = 0
    zeros: int = 0
    drop: Drop | None = None
    said: tuple[str, ...] = field(default=())

    @property
    def criterion(self) -> str:
        """The supply's kind and the open criterion in words."""
        hz, level = self.levels.criteria.ac_hz, self.levels.criteria.open_above_v
        kind = f"alternating, {hz:.4g} Hz" if hz else "direct voltage"
        return f"{kind}; open above {level:.4g} V"

    @property
    def rule(self) -> str:
        """Where the open criterion comes from."""
        return (
            "the smaller of 8 V and half the voltage of the open contact"
            if self.levels.by_rule
            else "as given"
        )


def read_make(
    voltage: Channel, current: Channel, interval_s: float, open_above_v: float | None = None
) -> ContactFigures:
    """First make, last make, reopenings between them, and the drop after. Raises Refused."""
    name = voltage.name
    one = OneLevel(_no_make(name), _closed_at_start(name))
    volts, amperes, levels = levels_of(voltage, current, interval_s, open_above_v, one)
    sizes, flowing, is_open = _states(volts, amperes, levels, interval_s)
    found = makes(sizes[None], flowing[None], is_open[None], levels.criteria)
    if not found.open_first[0]:
        raise one.closed
    if is_open.all():
        raise one.open
    lengths = _lengths(is_open)
    _require_settled(found.closed_last[0], lengths, interval_s, name)
    _require_sampled(lengths[1:-1], interval_s, name)
    first, last = int(is_open.argmin()), len(is_open) - int(lengths[-1])
    require_no_plateau(amperes, last, current.name)
    instants = {
        "first_make": _closing(sizes, first, float(found.first[0]), interval_s, levels),
        "last_make": _closing(sizes, last, float(found.last[0]), interval_s, levels),
    }
    drop = _drop(volts, amperes, last, is_open, interval_s, levels)
    brief = int(np.count_nonzero(lengths[2:-1:2] == 1))
    span = (found.first[0] - 0.5, found.last[0] + 0.5 + LATE_BOUNCE_S / interval_s)
    zeros = _zeros_within(volts, is_open & ~flowing, span, interval_s, levels)
    said = _unsteady(amperes[-drop.samples :], levels)
    return ContactFigures(
        interval_s, levels, is_open, instants, int(found.reopenings[0]), brief, zeros, drop, said
    )


def read_break(
    voltage: Channel, current: Channel, interval_s: float, open_above_v: float | None = None
) -> ContactFigures:
    """Parting and the end of the current. Raises Refused."""
    name = voltage.name
    one = OneLevel(_open_at_start(name), _no_break(name))
    volts, amperes, levels = levels_of(voltage, current, interval_s, open_above_v, one, FLOWING_AT_END)
    if levels.current_a == 0.0:
        raise Refused(
            "flat",
            f"{current.name}: no current flows before the contact parts, so none can end.",
            "Check the lead of the current, its range, and that the load was on.",
        )
    sizes, flowing, is_open = _states(volts, amperes, levels, interval_s)
    found = breaks(
        sizes[None], np.abs(amperes)[None], flowing[None], is_open[None], levels.criteria, interval_s
    )
    if is_open[0]:
        raise one.open
    if not found.opened[0]:
        raise one.closed
    if found.flowing_last[0]:
        raise _not_extinguished(current.name)
    instants = {
        "parting": _opening(sizes, int(is_open.argmax()), float(found.parting[0]), interval_s, levels),
        "extinction": _ending(
            amperes, flowing, float(found.extinction[0]), interval_s, levels.criteria.floor_a
        ),
    }
    return ContactFigures(interval_s, levels, is_open, instants, said=_early(found, levels))


def _states(volts: Array, amperes: Array, levels: Levels, interval_s: float) -> tuple[Array, Flags, Flags]:
    """Voltage without sign and glitches, where current flows, where the contact is open."""
    criteria = levels.criteria
    sizes = _without_glitches(np.abs(volts), criteria.open_above_v, levels.noise_v)
    currents = _without_glitches(np.abs(amperes), criteria.floor_a, levels.noise_a)
    flowing = currents > criteria.floor_a
    return sizes, flowing, open_states(sizes[None], currents[None], criteria, interval_s)[0]


def _without_glitches(sizes: Array, level: float, noise: float) -> Array:
    """A single sample that passes the level by no more than noise can takes the value before it."""
    over = sizes > level
    alone = (over[1:-1] != over[:-2]) & (over[1:-1] != over[2:])
    alone &= np.abs(sizes[1:-1] - level) < GLITCH_NOISE * noise
    if not alone.any():
        return sizes
    at = np.flatnonzero(alone) + 1
    cleaned = sizes.copy()
    cleaned[at] = sizes[at - 1]
    return cleaned


def _lengths(is_open: Flags) -> Array:
    """Samples in each state, in order: open, closed, open, ..."""
    changes = np.flatnonzero(is_open[1:] != is_open[:-1]) + 1
    return np.diff(changes, prepend=0, append=len(is_open))


def _require_settled(closed_last: bool, lengths: Array, interval_s: float, name: str) -> None:
    """The contact stays closed for longer than it did in any touch before."""
    touches = lengths[1:-1:2]
    needed = max(FEWEST_SETTLED, int(touches.max()) if len(touches) else 0)
    if closed_last and lengths[-1] >= needed:
        return
    touched = f"it closes {len(lengths) // 2} times"
    if closed_last:
        why = f"{touched}, and the record ends {lengths[-1] * interval_s * 1e3:.3g} ms after the last"
    else:
        why = f"{touched} and is open at the end of the record"
    raise Refused(
        "not_settled",
        f"{name}: the contact has not settled: {why}.",
        "Record longer after the make; if it never settles, look at contact force and actuator.",
    )


def _require_sampled(bounce: Array, interval_s: float, name: str) -> None:
    if len(bounce) >= FEWEST_STATES and np.count_nonzero(bounce == 1) > len(bounce) / 2:
        raise Refused(
            "too_coarse",
            f"{name}: most states of the bounce last one sample of {interval_s * 1e6:.3g} us alone; others "
            "passed unseen.",
            "Record with a higher sample rate.",
        )


def _closing(sizes: Array, at: int, found: float, interval_s: float, levels: Levels) -> Instant:
    """`at` is the first sample of the closed state, `found` the instant in samples."""
    beside = abs(found - (at - 0.5)) if levels.criteria.ac_hz else 0.0
    slope = abs(sizes[at - 1] - sizes[at]) / interval_s
    return Instant(found * interval_s, (0.5 + beside) * interval_s, float(slope))


def _opening(sizes: Array, at: int, found: float, interval_s: float, levels: Levels) -> Instant:
    """Where an alternating voltage rises slowly, the contact may have parted at its zero before."""
    rise = float(sizes[at] - sizes[at - 1])
    level = levels.criteria.open_above_v
    unseen = level / rise if levels.criteria.ac_hz and 0.0 < rise <= level else 0.0
    return Instant(found * interval_s, (0.5 + unseen) * interval_s, abs(rise) / interval_s)


def _ending(amperes: Array, flowing: Flags, found: float, interval_s: float, floor_a: float) -> Instant:
    """The end of the current. One that falls slowly is followed to zero along the straight line of its end."""
    last = min(len(flowing) - 1 - int(flowing[::-1].argmax()), len(flowing) - 2)
    sizes = np.abs(amperes)
    above = np.flatnonzero(sizes[: last + 1] >= FALL_FROM * floor_a)
    start = int(above[-1]) if len(above) else last
    fall = last - start
    if fall < FEWEST_FALLING:
        slope = abs(float(sizes[last] - sizes[last + 1])) / interval_s
        return Instant(found * interval_s, (0.5 + fall) * interval_s, slope, "current")
    at = np.arange(-fall, 1.0)
    part = sizes[start : last + 1]
    per_sample = -float(at @ (part - part.mean()) / (at @ (at - at.mean())))
    level = float(part.mean()) + per_sample * float(at.mean())
    further = min(max(level / max(per_sample, 1e-30), 0.5), fall / 2.0)
    return Instant(
        (last + further) * interval_s, (0.5 + further) * interval_s, per_sample / interval_s, "current"
    )


def _early(found: Breaks, levels: Levels) -> tuple[str, ...]:
    if levels.criteria.ac_hz or found.extinction[0] + EARLY_END >= found.parting[0]:
        return ()
    return ("the current ends before the contact parts: something else in the circuit switched it off.",)


def _drop(volts: Array, amperes: Array, last: int, is_open: Flags, interval_s: float, levels: Levels) -> Drop:
    stop = len(volts)
    start = stop - max((stop - last) // STEADY_PART, FEWEST_SETTLED)
    half_period = 0.5 / (levels.criteria.ac_hz * interval_s) if levels.criteria.ac_hz else 0.0
    if half_period:
        start = stop - round(_half_periods((stop - last) / half_period) * half_period)
        start = max(last, start)
    v, i = volts[start:stop], amperes[start:stop]
    value = _alternating_drop(v, i) if half_period else _along(volts[is_open]) * float(v.mean())
    balanced = half_period > 0.0 and stop - start >= round(2.0 * half_period)
    return Drop(value, stop - start, (start * interval_s, (stop - 1) * interval_s), balanced)


def _half_periods(there_are: float) -> int:
    """How many to take: whole periods from the last quarter, at least one if there is one."""
    whole = max(1, int(there_are / STEADY_PART / 2.0))
    return 2 * whole if there_are >= 2.0 * whole else 1


def _zeros_within(
    volts: Array, is_open: Flags, span: tuple[float, float], interval_s: float, levels: Levels
) -> int:
    """How many zeros of an alternating supply touch the span (in samples), by a sine through the open voltage."""
    hz = levels.criteria.ac_hz
    at = np.flatnonzero(is_open)
    if hz == 0.0 or len(at) < 2:
        return 0
    phase = 2.0 * np.pi * hz * interval_s * at
    parts = np.linalg.lstsq(np.column_stack((np.sin(phase), np.cos(phase))), volts[at], rcond=None)[0]
    first_zero = -math.atan2(parts[1], parts[0]) / (2.0 * math.pi * hz * interval_s)
    half_period = 0.5 / (hz * interval_s)
    beside = math.asin(min(levels.criteria.open_above_v / levels.open_v, 1.0)) * half_period / math.pi
    low = math.ceil((span[0] - beside - first_zero) / half_period)
    return math.floor((span[1] + beside - first_zero) / half_period) - low + 1


def _unsteady(amperes: Array, levels: Levels) -> tuple[str, ...]:
    """A direct current that still changes while the drop is read."""
    half = len(amperes) // 2
    first, second = abs(float(amperes[:half].mean())), abs(float(amperes[half:].mean()))
    noise = UNSTEADY_NOISE * levels.noise_a / math.sqrt(half)
    if levels.criteria.ac_hz or abs(first - second) <= max(UNSTEADY * first, noise):
        return ()
    change = abs(second / first - 1.0) if first else 1.0
    return (
        f"the current still changes by {change:.0%} while the drop is read; record longer for a steady one.",
    )


def _along(open_volts: Array) -> float:
    return 1.0 if float(np.median(open_volts)) >= 0.0 else -1.0


def _alternating_drop(volts: Array, amperes: Array) -> float:
    """The part that goes with the current, as r.m.s.: noise does not add to it."""
    squared = float(np.mean(amperes**2))
    if squared == 0.0:
        return math.sqrt(float(np.mean(volts**2)))
    return abs(float(np.mean(volts * amperes))) / math.sqrt(squared)


def _no_make(name: str) -> Refused:
    return Refused(
        "no_make",
        f"{name}: the contact is open throughout; it makes nowhere in the record.",
        f"{HELP_EARLIER} If it was to close, it failed to make.",
    )


def _closed_at_start(name: str) -> Refused:
    return Refused(
        "closed_at_start",
        f"{name}: the contact is closed from the start of the record, so its make is not in it.",
        f"{HELP_EARLIER} If it was to be open, look for a weld, or a supply that was off.",
    )


def _open_at_start(name: str) -> Refused:
    return Refused(
        "open_at_start",
        f"{name}: the contact is open from the start of the record, so its parting is not in it.",
        HELP_EARLIER,
    )


def _no_break(name: str) -> Refused:
    return Refused(
        "no_break",
        f"{name}: the contact is closed to the end of the record; it does not open.",
        f"{HELP_EARLIER} If it was to open, it failed to break: treat the load side as live and look for a weld.",
    )


def _not_extinguished(name: str) -> Refused:
    return Refused(
        "not_extinguished",
        f"{name}: the contact parts, but current flows to the end of the record.",
        "Record longer. If the arc stays, switch the supply off: the contact did not break the current.",
    )
