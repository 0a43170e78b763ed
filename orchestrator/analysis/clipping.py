"""Was the record cut off? Judged by the stated range, or by how samples pile up at the top."""

from __future__ import annotations

import numpy as np

from orchestrator.analysis.locate import Located
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array, Channel, CodeArray

FEWEST_EQUAL = 6  # equal largest samples before a pile-up can be judged
FEWEST_CODES = 16.0  # an impulse of fewer codes has no shape
LOOKED_AT = 4096  # samples from which an unstated resolution is estimated


def require_unclipped(channel: Channel, located: Located) -> float:
    """Raise Refused ("clipped", "too_coarse"), or return the converter's resolution in code units.

    0 if the record shows no resolution. The rule for a record that does not state its range: a rounded
    crest holds at least 0.7 times as many samples in the two codes below its top as in the top code, a
    crest cut by more than 1.6 codes less than half as many; with noise of more than half a code the top
    code is the rarer one.
    """
    stated = channel.stated_step
    step = _estimated_step(channel.codes, located) if stated is None else stated / abs(channel.scale)
    if _at_a_rail(channel, step) or _piled_up(located, step):
        top = float(channel.codes[located.crest_index]) * channel.scale + channel.offset
        raise Refused(
            "clipped",
            f"{channel.name}: the record is cut off at {top:.4g} {channel.unit}; the peak is not in it.",
            "Choose a larger range or more attenuation, and repeat the shot.",
        )
    if located.height < FEWEST_CODES * step:
        raise Refused(
            "too_coarse",
            f"{channel.name}: the impulse is only {located.height / step:.0f} codes of the converter high.",
            "Choose a smaller range, so that the impulse fills more than half of it.",
        )
    return step


def _at_a_rail(channel: Channel, step: float) -> bool:
    """Whether any sample is the first or last code of the stated range, or of its integer type."""
    lowest, highest = float(np.min(channel.codes)), float(np.max(channel.codes))
    if np.issubdtype(channel.codes.dtype, np.integer):
        limits = np.iinfo(channel.codes.dtype)
        if highest >= limits.max or (lowest <= limits.min and limits.min < 0):
            return True
    if channel.full_scale is None:
        return False
    ends = sorted((value - channel.offset) / channel.scale for value in channel.full_scale)
    margin = 1.01 * step if channel.bits is not None else 1e-9 * (ends[1] - ends[0])
    return highest >= ends[1] - margin or lowest <= ends[0] + margin


def _piled_up(located: Located, step: float) -> bool:
    codes, top = located.trace.codes, float(located.trace.codes[located.crest_index])
    equal = _count(codes, top, 0.25 * step)
    if equal < FEWEST_EQUAL:
        return False
    inward = -located.trace.sign * step
    next_two = [_count(codes, top + inward * k, 0.25 * step) for k in (1, 2)] if step > 0.0 else [0, 0]
    if located.noise_rms > 0.5 * step:
        return equal > 2.0 * next_two[0] + 8.0
    return sum(next_two) + 2 < 0.5 * equal


def _count(codes: CodeArray, value: float, tolerance: float) -> int:
    if np.issubdtype(codes.dtype, np.integer):
        return int(np.count_nonzero(codes == round(value)))
    return int(np.count_nonzero(np.abs(codes - value) <= max(tolerance, 1e-12 * abs(value))))


def _estimated_step(codes: CodeArray, located: Located) -> float:
    """The smallest difference between samples around front and crest, where every code is met."""
    start = max(located.low_index - 64, 0)
    pieces = codes[start : start + LOOKED_AT], codes[located.crest_index :][:LOOKED_AT]
    levels: Array = np.unique(np.concatenate(pieces).astype(np.float64))
    apart = np.diff(levels)
    apart = apart[apart > 1e-9 * located.height]
    return float(apart.min()) if apart.size else 0.0
