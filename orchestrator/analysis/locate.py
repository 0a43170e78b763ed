"""Finding an impulse in a record: polarity, baseline, and where its front and crest lie, to within the noise.

Nothing here is a result. It says where to look closely, and refuses records in which looking closely would
be a guess.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.trace import Trace
from orchestrator.analysis.waveform import Array, CodeArray

FEWEST_SAMPLES = 32
FEWEST_FIRST_SAMPLES = 8  # for the first idea of the level before the impulse
MOST_FIRST_SAMPLES = 4096
FEWEST_BASELINE_SAMPLES = 8
GOOD_BASELINE_SAMPLES = 64
SHORT_GUARD = 0.35  # a cubic rise begins 0.39 of its 10 % to 90 % span before the 10 % point
MOST_BASELINE_SAMPLES = 65_536
BASELINE_DRIFT_REFUSED = 0.03  # of the peak, between the two halves of the pre-trigger
FLAT_SPAN = 12.0  # standard deviations from lowest to highest sample: ten million samples of noise span 11
FLAT_HELP = "Check probe, range and trigger; look whether the generator fired."
NOISE_REFUSED = 0.05  # rms, of the peak


@dataclass(frozen=True, eq=False)
class Located:
    """Where the impulse lies, in samples, with a trace whose base is the mean of the pre-trigger."""

    trace: Trace
    height: float  # largest height of a single sample: too large by some noise
    low_index: int  # last sample under the low level of the front
    high_index: int  # first sample at 90 %
    crest_index: int  # the largest sample
    baseline_start: int
    baseline_stop: int
    noise_rms: float  # in codes
    drift: float  # between the halves of the pre-trigger, in codes


def locate(codes: CodeArray, low_level: float, name: str) -> Located:
    """Find the impulse; `low_level` is the lower front level (0.1 or 0.3) as a fraction of the peak.

    Raises Refused: empty, truncated, gaps, flat, no_baseline, too_noisy.
    """
    sign, crest_index, low_index, high_index = _rough_front(codes, low_level, name)
    start, stop = _baseline_window(low_index, high_index, name)
    before = codes[start:stop].astype(np.float64)
    base, noise_rms = float(before.mean()), float(before.std(ddof=1))
    half = len(before) // 2
    drift = float(before[half:].mean() - before[:half].mean())
    height = sign * (float(codes[crest_index]) - base)
    _require_level(height, drift, before, name)
    _require_quiet(height, noise_rms, name)
    trace = Trace(codes, sign, base)
    return Located(trace, height, low_index, high_index, crest_index, start, stop, noise_rms, drift)


def _rough_front(codes: CodeArray, low_level: float, name: str) -> tuple[float, int, int, int]:
    """Polarity, the farthest sample, and the samples at the low level and at 90 % of the front.

    The level before the impulse is first taken from a two-hundredth of the record, and from ever less of it
    as long as the impulse itself seems to be in there.
    """
    _require_samples(codes, name)
    ends = int(np.argmin(codes)), int(np.argmax(codes))
    lowest, highest = float(codes[ends[0]]), float(codes[ends[1]])
    _require_values(lowest, highest, name)
    _require_more_than_noise(highest - lowest, codes[:MOST_FIRST_SAMPLES], name)
    most = min(len(codes) // 200, MOST_FIRST_SAMPLES)
    for first in sorted({max(FEWEST_FIRST_SAMPLES, most // part) for part in (1, 8, 64, 512)}, reverse=True):
        rough, crest_index = _rough_trace(codes, float(np.median(codes[:first])), *ends)
        found = _front(rough, low_level, crest_index)
        if found is not None:
            return rough.sign, crest_index, *found
    raise _no_baseline(name, "the record starts on the impulse")


def _require_samples(codes: CodeArray, name: str) -> None:
    if len(codes) == 0:
        raise Refused(
            "empty", f"{name}: the record has no samples.", "Check that the instrument wrote its data."
        )
    if len(codes) < FEWEST_SAMPLES:
        raise Refused(
            "truncated",
            f"{name}: the record has only {len(codes)} samples.",
            f"At least {FEWEST_SAMPLES} are needed to see an impulse and what was before it.",
        )


def _require_values(lowest: float, highest: float, name: str) -> None:
    if not np.isfinite(lowest) or not np.isfinite(highest):
        raise Refused(
            "gaps",
            f"{name}: a sample is missing or not a number.",
            "Read the record out again; a gap cannot be filled by a guess.",
        )
    if lowest == highest:
        raise Refused(
            "flat",
            f"{name}: every sample has the same value; no impulse was recorded.",
            FLAT_HELP,
        )


def _require_more_than_noise(span: float, start: CodeArray, name: str) -> None:
    """From sample to sample an impulse changes little and noise a lot, wherever the record begins."""
    if span < FLAT_SPAN * _sample_noise(start.astype(np.float64)):
        raise Refused("flat", f"{name}: there is noise and nothing else; no impulse was recorded.", FLAT_HELP)


def _rough_trace(codes: CodeArray, base: float, lowest_index: int, highest_index: int) -> tuple[Trace, int]:
    if float(codes[highest_index]) - base >= base - float(codes[lowest_index]):
        return Trace(codes, 1.0, base), highest_index
    return Trace(codes, -1.0, base), lowest_index


def _front(rough: Trace, low_level: float, crest_index: int) -> tuple[int, int] | None:
    """Last sample under the low level before, and first sample at 90 % after the first that reaches 50 %."""
    height = rough.sign * (float(rough.codes[crest_index]) - rough.base)
    half_index = rough.first_reaching(0.5 * height, 0)
    low_index = None if half_index is None else rough.last_under(low_level * height, half_index)
    if half_index is None or low_index is None:
        return None
    high_index = rough.first_reaching(0.9 * height, half_index)
    return low_index, crest_index if high_index is None else high_index


def _baseline_window(low_index: int, high_index: int, name: str) -> tuple[int, int]:
    """The pre-trigger up to one front before the low level; down to SHORT_GUARD fronts where it is short."""
    front = high_index - low_index
    far, near = low_index - front, low_index - math.ceil(SHORT_GUARD * front)
    stop = max(far, min(near, GOOD_BASELINE_SAMPLES))
    if stop < FEWEST_BASELINE_SAMPLES:
        raise _no_baseline(name, f"only {max(stop, 0)} samples lie before the impulse")
    return max(0, stop - MOST_BASELINE_SAMPLES), stop


def _require_level(height: float, drift: float, before: Array, name: str) -> None:
    """The two halves of the pre-trigger agree, as far as the noise from sample to sample lets them."""
    allowed = 5.0 * _sample_noise(before) / math.sqrt(len(before) / 4.0)
    if abs(drift) > max(BASELINE_DRIFT_REFUSED * height, allowed):
        raise _no_baseline(
            name, f"what lies before the impulse moves by {abs(drift) / height:.0%} of the peak"
        )


def _require_quiet(height: float, noise_rms: float, name: str) -> None:
    if noise_rms > NOISE_REFUSED * height:
        raise Refused(
            "too_noisy",
            f"{name}: the noise before the impulse is {noise_rms / height:.1%} of the peak (rms).",
            f"Above {NOISE_REFUSED:.0%} the levels on the front would be a guess. Look for earth loops, use "
            "a smaller range or a screened lead.",
        )


def _sample_noise(samples: Array) -> float:
    """Rms of what differs from sample to sample: slow changes do not count."""
    return float(np.std(np.diff(samples))) / math.sqrt(2.0)


def _no_baseline(name: str, why: str) -> Refused:
    return Refused(
        "no_baseline",
        f"{name}: there is no baseline, {why}.",
        "Record more pre-trigger: one tenth of the record is usual.",
    )
