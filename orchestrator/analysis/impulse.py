"""Impulse figures: peak, level crossings on front and tail, opposite swing, from one channel of a record.

Procedure, tested in tests/unit/test_impulse*.py against closed forms with noise, offset, few bits and few
samples: the baseline is the mean of the pre-trigger; the peak is the crest of a cubic fitted to the top 2.5
%; each level crossing is read from a cubic fitted to a stretch of front or tail around it
(CROSSING_WINDOWS). The stretches are found on a moving mean, never by the value of single samples, so that
noise does not choose the samples it is in.

IEC 60060-1 defines the figures on the record's mean curve. No test-voltage function for overshoot is applied.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.clipping import require_unclipped
from orchestrator.analysis.crest import (
    fit_crest,
    outwards,
    require_bent,
    require_rounded,
    smooth_front,
    widened,
)
from orchestrator.analysis.figures import Crossing, Extreme, Figures
from orchestrator.analysis.local_fit import LocalFit, fit
from orchestrator.analysis.locate import Located, locate
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.trace import Points, Trace
from orchestrator.analysis.waveform import Channel

CROSSING_WINDOWS: Mapping[
    float, tuple[float, float]
] = {  # level -> the stretch of front its cubic is fitted to
    0.1: (0.03, 0.22),
    0.3: (0.05, 0.55),
    0.5: (0.3, 0.7),
    0.9: (0.8, 0.97),
}
TAIL_WINDOW = (0.62, 0.38)  # the same for half value on the tail
BREAK = 0.1  # of the peak, and
BREAK_NOISE = 8.0  # standard deviations of the noise: the largest step up from sample to sample on a tail
FEWEST_FRONT_SAMPLES = 5.0  # between the two levels of the front; see tests/unit/test_impulse_sampling.py
ADVISED_FRONT_SAMPLES = 30.0  # IEC 61083-1, over the shortest interval measured (from memory)


def impulse_figures(channel: Channel, interval_s: float, low_level: float) -> Figures:
    """Peak, front and tail crossings and opposite swing; `low_level` is 0.3 (voltage) or 0.1 (current).

    Raises Refused when a figure would be a guess.
    """
    work = _Work.on(channel, interval_s, low_level)
    require_bent(work.located, work.crest, channel.name)
    low_name = f"front_{round(low_level * 100)}"
    # A first look, two samples generous: on fewer samples no crossing can be fitted.
    work.require_sampled(low_level, work.located.high_index - work.located.low_index + 2.0)
    crossings = {
        low_name: work.front_crossing(low_level),
        "front_50": work.front_crossing(0.5),
        "front_90": work.front_crossing(0.9),
    }
    work.require_sampled(low_level, (crossings["front_90"].time_s - crossings[low_name].time_s) / interval_s)
    crossings["tail_50"] = work.tail_crossing()
    swing = work.opposite_swing(crossings["tail_50"])
    return work.figures(crossings, swing)


def peak_figures(channel: Channel, interval_s: float) -> Figures:
    """The peak alone, of a channel whose front and tail are not asked for. Raises Refused."""
    return _Work.on(channel, interval_s, 0.3).figures({}, None)


@dataclass(frozen=True, eq=False)
class _Work:
    """One channel under analysis, in samples and codes; what leaves it is in seconds and physical units."""

    channel: Channel
    interval_s: float
    located: Located
    resolution: float
    crest: LocalFit
    peak: float  # in code units, above the baseline
    front: Points

    @classmethod
    def on(cls, channel: Channel, interval_s: float, low_level: float) -> _Work:
        located = locate(channel.codes, low_level, channel.name)
        resolution = require_unclipped(channel, located)
        crest = fit_crest(located)
        require_rounded(located, crest, resolution, channel.name)
        peak = crest.value(crest.crest())
        return cls(channel, interval_s, located, resolution, crest, peak, smooth_front(located))

    @property
    def trace(self) -> Trace:
        return self.located.trace

    def front_crossing(self, fraction: float) -> Crossing:
        low, high = CROSSING_WINDOWS[fraction]
        start, near, stop = (self._front_index(level) for level in (low, fraction, high))
        return self._crossing(fraction, start, near, stop)

    def _front_index(self, fraction: float) -> float:
        """Where the moving mean takes a level: seen from the middle of the front, outwards."""
        level, front = fraction * self.peak, self.front
        middle = front.first_reaching(0.5 * self.peak, front.index(self.located.low_index - 1))
        if middle is None:
            raise self._unreadable(0.5)
        if fraction <= 0.5:
            index = front.last_under(level, middle)
            return front.position(0 if index is None else index + 1)
        found = front.first_reaching(level, middle)
        return front.position(len(front.values) - 1 if found is None else found)

    def tail_crossing(self) -> Crossing:
        crest = round(self.crest.crest())
        front = self.located.high_index - self.located.low_index
        rough = self.trace.first_mean_under(0.5 * self.peak, crest, max(1, front // 4))
        if rough is None:
            raise self._no_tail()
        self._require_unbroken(crest, crest + 3 * (rough - crest))
        tail = self.trace.points(crest, crest + 3 * (rough - crest) + 8, 1024).smoothed(
            (rough - crest) / 32.0
        )
        indices = [tail.first_under(level * self.peak, 0) for level in (TAIL_WINDOW[0], 0.5, TAIL_WINDOW[1])]
        if indices[0] is None or indices[1] is None:
            raise self._no_tail()
        last = len(tail.values) - 1 if indices[2] is None else indices[2]
        start, near, stop = (tail.position(index) for index in (indices[0], indices[1], last))
        return self._crossing(0.5, start, near, stop)

    def _require_unbroken(self, start: int, stop: int) -> None:
        """Behind the crest nothing climbs a tenth of the peak within a sample, unless samples are missing."""
        allowed = BREAK * self.peak + BREAK_NOISE * self.located.noise_rms + 2.0 * self.resolution
        broken = self.trace.first_jump(allowed, start, stop)
        if broken is not None:
            raise Refused(
                "gaps",
                f"{self.channel.name}: the record jumps up within one sample, {broken * self.interval_s:.4g} s from "
                "its start: a dropout or a gap on the tail.",
                "Read the record out again; a gap cannot be filled by a guess.",
            )

    def _crossing(self, fraction: float, start: float, near: float, stop: float) -> Crossing:
        """Fit a cubic from `start` to `stop`, but to no less than two samples on either side of `near`."""
        first = min(int(np.floor(start)), int(np.ceil(near)) - 2)
        last = max(int(np.ceil(stop)), int(np.ceil(near)) + 1)
        points = self.trace.points(first, last + 1)
        if len(points.values) < 4:
            raise self._unreadable(fraction)
        curve = fit(points.first, points.values, 3, points.block)
        at = curve.crossing(fraction * self.peak, near)
        if at is None:
            raise self._unreadable(fraction)
        return self._crossing_of(fraction, curve, at)

    def _crossing_of(self, fraction: float, curve: LocalFit, at: float) -> Crossing:
        slope_per_s = curve.slope(at) * abs(self.channel.scale) / self.interval_s
        time_s, window_s = at * self.interval_s, self._window_s(curve)
        return Crossing(fraction, time_s, slope_per_s, curve.noise_factor(at), curve.samples, window_s)

    def _window_s(self, curve: LocalFit) -> tuple[float, float]:
        first, last = curve.centre - curve.half_width, curve.centre + curve.half_width
        return first * self.interval_s, last * self.interval_s

    def opposite_swing(self, tail: Crossing) -> Extreme | None:
        """The lowest stretch after the half value, on the scale of the impulse's own duration."""
        start = int(tail.time_s / self.interval_s)
        width = max(1.0, (start - self.crest.crest()) / 16.0)
        rest = self.trace.blocks(start, len(self.trace), max(1, int(width / 4.0))).smoothed(width)
        if len(rest.values) < 4:
            return None
        lowest = int(np.argmin(rest.values))
        start, stop = outwards(-rest.values, lowest, 0.9 * -float(rest.values[lowest]))
        first, last = round(rest.position(start)), round(rest.position(stop)) + 1
        return self._extreme(*widened(first, last, max(8, int(width)), len(self.trace)), -1.0)

    def _extreme(self, first: int, last: int, direction: float) -> Extreme:
        points = self.trace.points(first, last)
        curve = fit(points.first, direction * points.values, min(3, len(points.values) - 1), points.block)
        return self._extreme_of(curve, direction)

    def _extreme_of(self, curve: LocalFit, direction: float) -> Extreme:
        at = curve.crest()
        height, time_s = direction * curve.value(at) * abs(self.channel.scale), at * self.interval_s
        return Extreme(height, time_s, curve.noise_factor(at), curve.samples, self._window_s(curve))

    def require_sampled(self, low_level: float, samples: float) -> None:
        if samples < FEWEST_FRONT_SAMPLES:
            raise Refused(
                "front_undersampled",
                f"{self.channel.name}: only {samples:.1f} samples lie between {low_level:.0%} and 90% of the front.",
                f"Below {FEWEST_FRONT_SAMPLES:.0f} the front time would be a guess; IEC 61083-1 asks for "
                f"{ADVISED_FRONT_SAMPLES:.0f}. Record with a higher sample rate.",
            )

    def figures(self, crossings: Mapping[str, Crossing], swing: Extreme | None) -> Figures:
        """All of it in physical units and seconds."""
        found, scale, interval_s = self.located, self.channel.scale, self.interval_s
        return Figures(
            channel=self.channel.name,
            unit=self.channel.unit,
            polarity=int(found.trace.sign) * (1 if scale >= 0.0 else -1),
            interval_s=interval_s,
            peak=self._extreme_of(self.crest, 1.0),
            baseline=found.trace.base * scale + self.channel.offset,
            baseline_samples=found.baseline_stop - found.baseline_start,
            baseline_window_s=(found.baseline_start * interval_s, found.baseline_stop * interval_s),
            baseline_drift=found.drift * scale,
            noise_rms=found.noise_rms * abs(scale),
            resolution=self.resolution * abs(scale),
            crossings=crossings,
            swing=swing,
        )

    def _unreadable(self, fraction: float) -> Refused:
        return Refused(
            "too_noisy",
            f"{self.channel.name}: the crossing of {fraction:.0%} of the peak cannot be read.",
            "The record does not pass that level cleanly. Look at the plot; reduce noise or oscillation.",
        )

    def _no_tail(self) -> Refused:
        return Refused(
            "truncated",
            f"{self.channel.name}: the record ends before the tail has fallen to half of the peak.",
            "Record longer after the trigger, or check that the file is whole.",
        )
