"""What a record of a contact shows by itself: its levels, its noise, its frequency, and so its criteria.

Used for records that come without settings. The rule for the open criterion: the smaller of 8 V and half the
voltage across the open contact (its peak, if it alternates). 8 V lies between the boiling voltage and the
least arc voltage of the usual contact materials.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.contact_edges import FLOWING, Criteria, Flags
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array, Channel

USUAL_OPEN_ABOVE_V = 8.0
OPEN_SHARE = 0.5  # of the voltage across the open contact
FEWEST_SAMPLES = 32
SPIKE_SAMPLES = 5  # a level is the median of so many samples
NOISE_SEEN = 6.0  # standard deviations above which a current is one
NOISE_BELOW_CRITERION = 4.0  # standard deviations of the voltage noise that must fit under the criterion
CODES_BELOW_CRITERION = 4.0
TWO_LEVELS = 3.0  # the same, from which they are two and not one
CARRIED = 0.5  # of the usual current, in so large a part of what looks open
APART = 12.0  # standard deviations between the two levels
LONGEST_INTERVAL_S = 0.4e-3
ALTERNATES = 0.3  # of the largest value, on either side of zero
HALF_PERIODS_S = (0.5e-3, 40e-3)  # 1 kHz and 12.5 Hz
USUAL_HZ = (16.7, 50.0, 60.0, 400.0)
USUAL_WITHIN = 0.12
FEWEST_IN_PERIOD = 20


@dataclass(frozen=True)
class Levels:
    """Noise is the rms of one sample; `open_v` and `current_a` are sizes (of alternating quantities, peaks)."""

    open_v: float
    current_a: float
    noise_v: float
    noise_a: float
    criteria: Criteria
    by_rule: bool  # the open criterion was not given

    @property
    def unseen_s(self) -> float:
        """How long an alternating supply hides the contact at each of its zeros; 0 for direct voltage."""
        if self.criteria.ac_hz == 0.0:
            return 0.0
        return math.asin(min(self.criteria.open_above_v / self.open_v, 1.0)) / (math.pi * self.criteria.ac_hz)


@dataclass(frozen=True)
class OneLevel:
    """Why a record is refused in which the contact does not move."""

    open: Refused
    closed: Refused


def levels_of(
    voltage: Channel,
    current: Channel,
    interval_s: float,
    open_above_v: float | None,
    one_level: OneLevel,
    flowing: float = FLOWING,
) -> tuple[Array, Array, Levels]:
    """Voltage and current of the record, and what they show; below `flowing` of the usual current is none.

    Raises Refused.
    """
    require_readable(voltage, current, interval_s)
    volts, amperes = voltage.values(), current.values()
    _require_numbers(volts, voltage.name)
    _require_numbers(amperes, current.name)
    noise_v, noise_a = _noise(volts, voltage), _noise(amperes, current)
    top = _top(np.abs(volts))
    criterion = min(USUAL_OPEN_ABOVE_V, OPEN_SHARE * top) if open_above_v is None else open_above_v
    high = np.abs(volts) > criterion
    _require_two_levels(volts, amperes, high, (noise_v, noise_a), voltage, one_level)
    current_a = _current(amperes[~high], noise_a)
    floor_a = max(flowing * current_a, NOISE_SEEN * noise_a)
    hz = _frequency(volts, high, amperes, np.abs(amperes) > floor_a, interval_s)
    if hz and hz * interval_s * FEWEST_IN_PERIOD > 1.0:
        raise _too_coarse(f"only {1.0 / (hz * interval_s):.0f} samples lie in a period of {hz:.4g} Hz")
    open_v = top if hz else float(np.median(np.abs(volts[high])))
    if open_v <= 0.0:  # a few samples alone are no level
        raise one_level.closed
    if open_above_v is None:
        criterion = min(USUAL_OPEN_ABOVE_V, OPEN_SHARE * open_v)
    _require_quiet(criterion, noise_v, voltage)
    criteria = Criteria(criterion, max(current_a, floor_a), hz, floor_a)
    return volts, amperes, Levels(open_v, current_a, noise_v, noise_a, criteria, open_above_v is None)


def require_readable(voltage: Channel, current: Channel, interval_s: float) -> None:
    """Enough samples, close enough together, and none at the end of its range. Raises Refused."""
    samples = min(len(voltage.codes), len(current.codes))
    if samples == 0:
        raise Refused("empty", "the record has no samples.", "Check that the instrument wrote its data.")
    if samples < FEWEST_SAMPLES:
        raise Refused(
            "truncated",
            f"the record has only {samples} samples.",
            f"At least {FEWEST_SAMPLES} are needed to see a contact before and after it moves.",
        )
    if interval_s > LONGEST_INTERVAL_S:
        raise _too_coarse(f"one sample is taken every {interval_s * 1e3:.3g} ms")
    for channel in (voltage, current):
        _require_in_range(channel)


def _too_coarse(why: str) -> Refused:
    return Refused(
        "too_coarse",
        f"{why}: a bounce or an arc may pass between two samples.",
        "Record with 10 kS/s or more.",
    )


def _require_in_range(channel: Channel) -> None:
    """No sample is the first or last code of the stated range or of its integer type."""
    lowest, highest = float(np.min(channel.codes)), float(np.max(channel.codes))
    limits = channel.full_scale
    at_rail = False
    if np.issubdtype(channel.codes.dtype, np.integer):
        ends = np.iinfo(channel.codes.dtype)
        at_rail = highest >= ends.max or (lowest <= ends.min < 0)
    if limits is not None and not at_rail:
        step = (channel.stated_step or 0.0) if channel.bits is not None else 0.0
        values = sorted(code * channel.scale + channel.offset for code in (lowest, highest))
        margin = 1.01 * step if step else 1e-9 * (limits[1] - limits[0])
        at_rail = values[1] >= limits[1] - margin or values[0] <= limits[0] + margin
    if at_rail:
        raise Refused(
            "clipped",
            f"{channel.name}: the record is cut off at the end of its range.",
            "Choose a larger range or more attenuation, and repeat the operation.",
        )


def require_no_plateau(amperes: Array, closed_from: int, name: str) -> None:
    """Raise Refused if the inrush was cut off by a range that the record does not state.

    A crest that falls again passes as many samples just below its top as at it; a cut one stands on its top.
    """
    flow = np.abs(amperes[closed_from:])
    if len(flow) == 0:
        return
    top = float(flow.max())
    equal = int(np.count_nonzero(flow >= top * (1.0 - 1e-9)))
    below = int(np.count_nonzero((flow < top * (1.0 - 1e-9)) & (flow >= 0.97 * top)))
    later = float(np.median(flow[-max(1, len(flow) // 8) :]))
    if equal >= 6 and below + 2 < 0.5 * equal and later < 0.9 * top:
        raise Refused(
            "clipped",
            f"{name}: the inrush is cut off at {top:.4g} A.",
            "Choose a larger range or more attenuation, and repeat the operation.",
        )


def _require_numbers(values: Array, name: str) -> None:
    if not np.isfinite(values).all():
        raise Refused(
            "gaps",
            f"{name}: a sample is missing or not a number.",
            "Read the record out again; a gap cannot be filled by a guess.",
        )


def _noise(values: Array, channel: Channel) -> float:
    """Rms of what differs from sample to sample beyond a parabola; at least what rounding to codes makes.

    By the median of third differences, in which a few jumps do not count.
    """
    seen = float(np.median(np.abs(np.diff(values, 3)))) / (0.6745 * math.sqrt(20.0))
    return max(seen, (channel.stated_step or 0.0) / math.sqrt(12.0))


def _top(sizes: Array) -> float:
    """The largest median of SPIKE_SAMPLES neighbours: the largest value but for spikes."""
    blocks = len(sizes) // SPIKE_SAMPLES
    return float(np.median(sizes[: blocks * SPIKE_SAMPLES].reshape(blocks, SPIKE_SAMPLES), axis=1).max())


def _current(amperes: Array, noise_a: float) -> float:
    """The usual size of the current where there is one; 0 for none."""
    sizes = np.abs(amperes)
    flowing = sizes[sizes > NOISE_SEEN * noise_a]
    return float(np.median(flowing)) if len(flowing) >= SPIKE_SAMPLES else 0.0


def _require_two_levels(
    volts: Array, amperes: Array, high: Flags, noise: tuple[float, float], voltage: Channel, one: OneLevel
) -> None:
    """Raise Refused when open and closed cannot be told apart; one level alone is named after the current."""
    sizes = np.abs(volts)
    apart = 0.0
    if high.any() and not high.all():
        # An alternating voltage is low for a while even when open: its top says more than its middle.
        upper = _top(sizes) if _top(sizes) >= 2.0 * USUAL_OPEN_ABOVE_V else float(np.median(sizes[high]))
        apart = upper - float(np.median(sizes[~high]))
    if apart > APART * noise[0] and not _carried(amperes, sizes, high, noise[1]):
        return
    if apart > TWO_LEVELS * noise[0] and not _carried(amperes, sizes, high, noise[1]):
        raise _too_noisy(noise[0], f"open and closed contact are only {apart:.3g} V apart", voltage)
    if _current(amperes, noise[1]) > 0.0:
        raise one.closed
    if float(np.median(sizes)) > APART * noise[0]:
        raise one.open
    raise Refused(
        "no_levels",
        f"{voltage.name}: the voltages of the open and the closed contact cannot be told apart.",
        "Check leads and range, and that the supply is on; reduce noise.",
    )


def _carried(amperes: Array, sizes: Array, high: Flags, noise_a: float) -> bool:
    """Whether what looks open carries current at a voltage too low for an arc: two levels of a closed contact."""
    if _top(sizes) >= USUAL_OPEN_ABOVE_V:
        return False
    usual = _current(amperes, noise_a)
    flowing = np.abs(amperes[high]) > max(CARRIED * usual, NOISE_SEEN * noise_a)
    return usual > 0.0 and float(flowing.mean()) > CARRIED


def _require_quiet(criterion_v: float, noise_v: float, voltage: Channel) -> None:
    if noise_v * NOISE_BELOW_CRITERION > criterion_v:
        raise _too_noisy(noise_v, f"the contact counts as open above {criterion_v:.3g} V", voltage)
    step = voltage.stated_step
    if step and criterion_v < CODES_BELOW_CRITERION * step:
        raise Refused(
            "too_coarse",
            f"{voltage.name}: the open criterion is only {criterion_v / step:.1f} codes of the converter high.",
            "Choose a smaller range.",
        )


def _too_noisy(noise_v: float, beside: str, voltage: Channel) -> Refused:
    return Refused(
        "too_noisy",
        f"{voltage.name}: the noise is {noise_v:.3g} V (rms), and {beside}.",
        f"It must be below a {NOISE_BELOW_CRITERION:.0f}th of the open criterion. Use a smaller range or a "
        "screened lead; where no arc has to be seen, a higher criterion (--open-above) serves.",
    )


def _frequency(volts: Array, high: Flags, amperes: Array, flowing: Flags, interval_s: float) -> float:
    """0 for direct voltage, else the usual frequency nearest to what the signs of voltage and current show."""
    signs = np.where(high, np.sign(volts), np.where(flowing, np.sign(amperes), 0.0))
    current_both = _both_signs(np.sign(amperes[flowing & ~high]))
    voltage_both = _both_signs(np.sign(volts[high]))
    if not (current_both or (voltage_both and not _one_way(amperes, flowing, interval_s))):
        return 0.0
    seen = np.flatnonzero(signs)
    flips = seen[1:][np.diff(signs[seen]) != 0.0]
    halves = np.diff(flips) * interval_s
    halves = halves[(halves > HALF_PERIODS_S[0]) & (halves < HALF_PERIODS_S[1])]
    hz = 0.5 / float(np.median(halves)) if len(halves) else 50.0
    return next((usual for usual in USUAL_HZ if abs(hz / usual - 1.0) < USUAL_WITHIN), hz)


def _both_signs(signs: Array) -> bool:
    """Whether at least a fifth is on either side."""
    return len(signs) > 0 and 0.2 < float((signs > 0.0).mean()) < 0.8


def _one_way(amperes: Array, flowing: Flags, interval_s: float) -> bool:
    """Whether current flows in one direction for longer than a half period of any mains."""
    if np.count_nonzero(flowing) * interval_s < 0.5 / USUAL_HZ[0]:
        return False
    return not _both_signs(np.sign(amperes[flowing]))
