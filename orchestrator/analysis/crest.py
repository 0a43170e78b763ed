"""The crest of an impulse, read by a local fit over a stretch that noise did not choose."""

from __future__ import annotations

import numpy as np

from orchestrator.analysis.local_fit import LocalFit, fit
from orchestrator.analysis.locate import Located
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.trace import Points, Trace
from orchestrator.analysis.waveform import Array

CREST_WINDOW = 0.975  # the peak is read from where the moving mean is above this fraction of it
NOISE_ALLOWED = 2.0  # standard deviations of the moving mean
CREST_TAIL = 2.0  # how far the stretch may go on behind the crest, as a multiple of what lies before it
SPIKE = 0.01  # of the peak, and
SPIKE_NOISE = 6.0  # standard deviations of the noise: what a single sample may stand out of the curve by
FLAT_TOP = 0.003  # of the peak: an impulse whose top bends by less over most of its length was cut off
FEWEST_FLAT = 40  # samples in the top before its bend can be judged


def fit_crest(located: Located) -> LocalFit:
    """A cubic over the stretch around the largest sample where the moving mean is above CREST_WINDOW."""
    trace, front = located.trace, max(located.high_index - located.low_index, 1)
    after = trace.first_under(0.9 * located.height, located.crest_index)
    stop = len(trace) if after is None else after + front
    points = trace.points(located.high_index - front, stop).smoothed(front / 4.0)
    top = int(np.argmax(points.values))
    # The mean still carries noise, which makes its top too high and would cut the stretch short.
    noise = located.noise_rms / np.sqrt(max(front / 4.0, points.block))
    level = CREST_WINDOW * (float(points.values[top]) - NOISE_ALLOWED * noise) - NOISE_ALLOWED * noise
    first, last = outwards(points.values, top, level)
    start, stop = round(points.position(first)), round(points.position(last)) + 1
    whole = _cubic(trace, *widened(start, stop, 5, len(trace)))
    # A long slow tail behind a short crest is more than a cubic follows: leave most of it out.
    lead = max(whole.crest() - start, (stop - start) / 6.0)
    stop_at_most = round(start + (1.0 + CREST_TAIL) * lead)
    return whole if stop <= stop_at_most else _cubic(trace, *widened(start, stop_at_most, 5, len(trace)))


def _cubic(trace: Trace, start: int, stop: int) -> LocalFit:
    window = trace.points(start, stop)
    return fit(window.first, window.values, 3, window.block)


def smooth_front(located: Located) -> Points:
    """A moving mean over an eighth of the front, from well before it to well after."""
    front = max(located.high_index - located.low_index, 1)
    start, stop = located.low_index - 2 * front, located.high_index + 4 * front
    return located.trace.points(start, stop, 512).smoothed(front / 8.0)


def outwards(values: Array, top: int, level: float) -> tuple[int, int]:
    """First and last index of the unbroken stretch around `top` in which the values are at least `level`."""
    below = np.flatnonzero(values < level)
    before, after = below[below < top], below[below > top]
    return (int(before[-1]) + 1 if before.size else 0, int(after[0]) - 1 if after.size else len(values) - 1)


def widened(start: int, stop: int, fewest: int, length: int) -> tuple[int, int]:
    """At least `fewest` samples, as far as the record has them."""
    lacking = max(fewest - (stop - start), 0)
    start = max(start - (lacking + 1) // 2, 0)
    stop = min(max(stop + lacking // 2, start + fewest), length)
    return min(start, max(stop - fewest, 0)), stop


def require_rounded(located: Located, crest: LocalFit, step: float, name: str) -> None:
    """Raise Refused if one sample stands out of the curve through its neighbours."""
    peak = crest.value(crest.crest())
    spike = located.height - peak
    if spike > SPIKE * peak + SPIKE_NOISE * located.noise_rms + 2.0 * step:
        far = f"{spike / peak:.0%} of the peak" if peak > 0.0 else "alone"
        raise Refused(
            "spike",
            f"{name}: one sample stands {far} above the curve through its neighbours.",
            "Look at the plot: a disturbance, or a peak too short for the sample rate. Screen the lead, or record "
            "with a higher rate.",
        )


def require_bent(located: Located, crest: LocalFit, name: str) -> None:
    """Raise Refused if the top is flat between two corners: cut off before noise was added (an amplifier)."""
    first, fifth = round(crest.centre - crest.half_width), crest.samples // 5
    if crest.samples < FEWEST_FLAT:
        return
    inner = located.trace.blocks(first + fifth // 2, first + fifth // 2 + 4 * fifth, fifth).values
    peak = crest.value(crest.crest())
    noise = located.noise_rms / np.sqrt(fifth)
    if float(np.ptp(inner)) < FLAT_TOP * peak and noise < 0.4 * FLAT_TOP * peak:
        raise Refused(
            "clipped",
            f"{name}: the top of the impulse is flat; it was cut off before or in the digitiser.",
            "Choose a larger range or more attenuation, and repeat the shot.",
        )
