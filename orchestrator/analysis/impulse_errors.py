"""What one channel's record shows of its own errors: noise, rounding, drift, and misfit of the local fits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.figures import Crossing, Extreme, Figures
from orchestrator.analysis.local_fit import fit
from orchestrator.analysis.trace import Points, Trace
from orchestrator.analysis.waveform import Channel

FOOT_OF_FRONT = 0.2  # sample intervals that a crossing read from 4 samples may be off; falls as 1 / m^2
SEEN_ABOVE_NOISE = 2.5  # standard deviations at which a misfit is one
DRIFT_SEEN = 4.0  # the same for a moving baseline
POINTS = 256  # to which a long stretch is averaged before its fit is checked
FEWEST_CHECKED = 7  # points of a stretch whose fit can be checked
HIGHER_ORDER = 6  # of the curve it is checked against, lower by what too few points cannot carry
UNCHECKED_CREST = 1e-4  # of the height: what a crest of fewer points may be off, found on closed forms
SKEWED_CREST = 0.1  # of the stretch's depth and the skewness squared: the same for a crest beside its middle
CREST_DEPTH = 0.025  # of the peak: the stretch that the crest is read from
SWING_DEPTH = 0.1
MOST_LAGS = 64  # of the pre-trigger's noise that are looked at
LAG_SEEN = 3.0  # standard deviations at which neighbouring samples share their noise


@dataclass(frozen=True)
class Fitted:
    """One fitted value: what noise, rounding and misfit do to its height.

    The first two are factors on the noise of one sample and on the standard deviation of one code; `misfit`
    is a standard uncertainty in the channel's unit.
    """

    noise_factor: float
    code_factor: float
    misfit: float


@dataclass(frozen=True)
class ChannelErrors:
    """Errors of one channel, in its unit.

    `noise` is the rms of one sample without rounding, `code` the standard deviation of one code (step / sqrt
    12), `together` from 0 to 1 how far neighbouring samples share their rounding error. `run` is the number
    of samples that share their noise: 1 for white noise, more where a filter or a pick-up has smoothed it.
    """

    channel: Channel
    figures: Figures
    noise: float
    code: float
    together: float
    run: float

    @classmethod
    def seen(cls, channel: Channel, figures: Figures) -> ChannelErrors:
        step = figures.resolution
        code = step / math.sqrt(12.0)
        noise = math.sqrt(max(0.0, figures.noise_rms**2 - code**2))
        # The mean of a rounded normal variable is off by at most step/pi * exp(-2 (pi noise/step)^2).
        shared = math.exp(-2.0 * (math.pi * noise / step) ** 2) if step else 0.0
        return cls(channel, figures, noise, code, shared**2, _run(channel, figures))

    @property
    def baseline_noise_factor(self) -> float:
        return math.sqrt(self.run / self.figures.baseline_samples)

    @property
    def noise_dof(self) -> float:
        return max(1.0, self.figures.baseline_samples / self.run - 1.0)

    @property
    def baseline_code_factor(self) -> float:
        alone = (1.0 - self.together) / self.figures.baseline_samples
        return math.sqrt(self.together + alone)

    @property
    def drift(self) -> float:
        """Limit of what the baseline may have moved until the impulse; 0 if noise explains what is seen."""
        usual = 2.0 * math.hypot(self.noise, self.code) * self.baseline_noise_factor
        seen = abs(self.figures.baseline_drift)
        return 2.0 * seen if seen > max(DRIFT_SEEN * usual, self.figures.resolution) else 0.0

    def fitted(self, part: str) -> Fitted:
        """`part` is "peak", "swing" or a crossing's name."""
        if part == "peak":
            return self._extreme(self.figures.peak, CREST_DEPTH)
        if part == "swing":
            assert self.figures.swing is not None  # asked for only where there is one
            return self._extreme(self.figures.swing, SWING_DEPTH)
        return self._crossing(self.figures.crossings[part])

    def _extreme(self, each: Extreme, depth: float) -> Fitted:
        step = self.figures.resolution
        codes = depth * abs(each.height) / step if step else math.inf
        factor = self._code_factor(each, codes)
        off = (UNCHECKED_CREST if each.samples < FEWEST_CHECKED else 0.0) + _skewed(each) * depth
        misfit = math.hypot(self._misfit(each, factor), off * abs(each.height) / math.sqrt(3.0))
        return Fitted(self._noise_factor(each), factor, misfit)

    def _crossing(self, each: Crossing) -> Fitted:
        """A front or tail passes many codes within its stretch, so each sample's rounding is its own."""
        few = FOOT_OF_FRONT * min(1.0, 4.0 / each.samples) ** 2 / math.sqrt(3.0)
        off = few * self.figures.interval_s * abs(each.slope_per_s)
        misfit = self._misfit(each, each.noise_factor)
        return Fitted(self._noise_factor(each), each.noise_factor, math.hypot(misfit, off))

    def _noise_factor(self, each: Extreme | Crossing) -> float:
        """A fit averages runs of shared noise, not samples; no less than one run is in it."""
        return max(each.noise_factor, min(1.0, each.noise_factor * math.sqrt(self.run)))

    def _code_factor(self, each: Extreme, codes: float) -> float:
        """Rounding let through by a fit: each sample's own, or shared by the samples within one code."""
        alone = each.noise_factor
        shared = min(1.0, alone * math.sqrt(max(1.0, each.samples / max(1.0, codes))))
        return math.sqrt(self.together * shared**2 + (1.0 - self.together) * alone**2)

    def _misfit(self, each: Extreme | Crossing, code_factor: float) -> float:
        """How far a curve of higher order differs from the cubic; 0 if noise explains it.

        A crest is compared crest to crest, a crossing by the height where it was read. The cubic has the
        least variance of the two, so the variance of their difference is the difference of their variances.
        """
        points, at = self._stretch(each), each.time_s / self.figures.interval_s
        count = len(points.values)
        if count < FEWEST_CHECKED:
            return 0.0
        cubic = fit(points.first, points.values, 3, points.block)
        higher = fit(points.first, points.values, min(HIGHER_ORDER, count - 3), points.block)
        there = higher.crest() if isinstance(each, Extreme) else at
        difference = abs(self.channel.scale) * abs(higher.value(there) - cubic.value(at))
        spread = math.hypot(self.noise * math.sqrt(self.run), self.code * code_factor / each.noise_factor)
        usual = spread * math.sqrt(max(0.0, higher.noise_factor(at) ** 2 - cubic.noise_factor(at) ** 2))
        return math.sqrt(difference**2 - usual**2) if difference > SEEN_ABOVE_NOISE * usual else 0.0

    def _stretch(self, each: Extreme | Crossing) -> Points:
        """The samples that a figure was read from, rising along it."""
        scale, interval_s = self.channel.scale, self.figures.interval_s
        base = (self.figures.baseline - self.channel.offset) / scale
        opposite = isinstance(each, Extreme) and each.height < 0.0
        sign = math.copysign(1.0, self.figures.polarity * scale) * (-1.0 if opposite else 1.0)
        start, stop = (round(t / interval_s) for t in each.window_s)
        return Trace(self.channel.codes, sign, base).points(start, stop + 1, POINTS)


def _skewed(each: Extreme) -> float:
    """What a cubic misses of a crest that lies beside the middle of its stretch, as part of the depth."""
    start_s, stop_s = each.window_s
    skewness = (2.0 * each.time_s - start_s - stop_s) / (stop_s - start_s)
    return SKEWED_CREST * skewness**2


def _run(channel: Channel, figures: Figures) -> float:
    """1 + 2 (r1 + r2 + ...) of the pre-trigger, r being its autocorrelation as long as that is seen.

    A straight drift is taken out first: it is a contribution of its own.
    """
    start, stop = (round(t / figures.interval_s) for t in figures.baseline_window_s)
    quiet = channel.values(start, stop) - figures.baseline
    ramp = np.linspace(-1.0, 1.0, len(quiet))
    quiet -= ramp * (ramp @ quiet) / (ramp @ ramp)
    power, count = float(quiet @ quiet), len(quiet)
    run = 1.0
    for lag in range(1, min(MOST_LAGS, count // 4) + 1):
        r = float(quiet[lag:] @ quiet[:-lag]) / power if power > 0.0 else 0.0
        if r < LAG_SEEN / math.sqrt(count):
            break
        run += 2.0 * r
    return run
