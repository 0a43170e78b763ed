"""Uncertainty budgets of impulse figures: sampling, quantisation, noise, timebase, gain, offset.

* *noise*: rms of the pre-trigger, assumed white, let through by each local fit and by the baseline's mean.
* *quantisation*: half a code either way. Noise of half a code and more scatters it, and fits average it; a
  quiet record carries it whole in the baseline, and in the crest as far as that stays within a few codes.
* *sampling*: what a cubic does not follow. Where the record shows it (a fifth-order fit of the same stretch
  differs by more than noise explains) that difference counts; crossings of few samples have in addition a
  limit found on closed forms with random sampling phase (FOOT_OF_FRONT; tests/studies/coverage.py).
* *timebase*, *gain*: the limits that the instrument's maker or its calibration states, rectangular.
* *offset*: removed with the baseline, so it counts as zero; drift seen in the pre-trigger counts instead.

Not in it: non-linearity, limited bandwidth, probe loading and pick-up that begins with the impulse. Where
they matter, the stated accuracy has to cover them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from orchestrator.analysis.coverage_factor import Shape
from orchestrator.analysis.figures import Crossing, Extreme, Figures, Internals
from orchestrator.analysis.impulse_influence import (
    Influence,
    IntegralInfluence,
    integral_influences,
    peak_influence,
    times,
    undershoot_influence,
)
from orchestrator.analysis.local_fit import fit
from orchestrator.analysis.trace import Trace
from orchestrator.analysis.uncertainty import Budget, Contribution, combine, nothing, within
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform

FOOT_OF_FRONT = (
    0.15  # sample intervals by which a crossing read from 4 samples may be off; falls with m squared
)
SEEN_ABOVE_NOISE = 2.5  # standard deviations at which a misfit is one
DRIFT_SEEN = 4.0  # the same for a moving baseline
POINTS = 256  # to which a long stretch is averaged before its fit is checked
CREST_DEPTH = 0.025  # of the peak: the stretch that the crest is read from
SWING_DEPTH = 0.1
OFFSET_REMOVED = "constant over the record, removed with the mean of the pre-trigger"


def budget(waveform: Waveform, method: str, internals: Internals) -> dict[str, Budget]:
    """Budgets by result name, for the figures of one record.

    Empty while a channel of the method states no accuracy. A swing that was not looked for gives none.
    """
    del waveform  # the channels that the method picked are in `internals`
    if any(internals.channels[role].accuracy is None for role in internals.figures):
        return {}
    seen = {role: _Seen.of(internals.channels[role], each) for role, each in internals.figures.items()}
    if method == "limiting-voltage":
        return _limiting(internals, seen)
    return _impulse(next(iter(seen.values())))


def _impulse(seen: _Seen) -> dict[str, Budget]:
    influences = {"peak": peak_influence(seen.figures), **times(seen.figures)}
    found = {name: seen.budget(each) for name, each in influences.items()}
    undershoot = seen.undershoot()
    return found if undershoot is None else {**found, "undershoot": undershoot}


def _limiting(internals: Internals, seen: Mapping[str, _Seen]) -> dict[str, Budget]:
    found = {
        "limiting_voltage": seen["voltage"].budget(peak_influence(seen["voltage"].figures)),
        "peak_current": seen["current"].budget(peak_influence(seen["current"].figures)),
    }
    for name, (value, roles) in integral_influences(internals).items():
        found[name] = _integral(name, value, {role: (seen[role], each) for role, each in roles.items()})
    return found


@dataclass(frozen=True)
class _Fitted:
    """One fitted value: how much noise, quantisation and misfit it carries, in heights."""

    noise_factor: float
    quantisation_factor: float  # of one code's standard deviation
    misfit: float  # standard uncertainty


@dataclass(frozen=True)
class _Seen:
    """One channel with what its record shows of its own errors. Heights are in the channel's unit."""

    channel: Channel
    accuracy: Accuracy
    figures: Figures
    noise: float  # rms of one sample without quantisation
    code: float  # standard deviation of one code, step / sqrt 12
    together: float  # 0 to 1: how far neighbouring samples share their quantisation error

    @classmethod
    def of(cls, channel: Channel, figures: Figures) -> _Seen:
        assert channel.accuracy is not None
        code = figures.resolution / math.sqrt(12.0)
        noise = math.sqrt(max(0.0, figures.noise_rms**2 - code**2))
        # The mean of a rounded normal variable is off by at most step/pi * exp(-2 (pi noise/step)^2).
        shared = math.exp(-2.0 * (math.pi * noise / figures.resolution) ** 2) if figures.resolution else 0.0
        return cls(channel, channel.accuracy, figures, noise, code, shared**2)

    @property
    def dof(self) -> float:
        return max(1.0, self.figures.baseline_samples - 1.0)

    @property
    def baseline_code_factor(self) -> float:
        """Standard deviation of the baseline's quantisation error, in that of one code."""
        return math.sqrt(self.together + (1.0 - self.together) / self.figures.baseline_samples)

    @property
    def drift(self) -> float:
        """Limit of what the baseline may have moved until the impulse; 0 if noise explains what is seen."""
        usual = 2.0 * math.hypot(self.noise, self.code) / math.sqrt(self.figures.baseline_samples)
        seen = abs(self.figures.baseline_drift)
        return 2.0 * seen if seen > max(DRIFT_SEEN * usual, self.figures.resolution) else 0.0

    def fitted(self, part: str) -> _Fitted:
        if part == "peak":
            return self._extreme(self.figures.peak, CREST_DEPTH)
        if part == "swing":
            assert self.figures.swing is not None
            return self._extreme(self.figures.swing, SWING_DEPTH)
        return self._crossing(self.figures.crossings[part])

    def _extreme(self, each: Extreme, depth: float) -> _Fitted:
        codes = depth * abs(each.height) / self.figures.resolution if self.figures.resolution else math.inf
        factor = self._code_factor(each, codes)
        return _Fitted(each.noise_factor, factor, self._misfit(each, factor))

    def _crossing(self, each: Crossing) -> _Fitted:
        """A front or tail passes many codes within its stretch, so each sample's rounding is its own."""
        few = FOOT_OF_FRONT * min(1.0, 4.0 / each.samples) ** 2 / math.sqrt(3.0)
        off = few * self.figures.interval_s * abs(each.slope_per_s)
        misfit = self._misfit(each, each.noise_factor)
        return _Fitted(each.noise_factor, each.noise_factor, math.hypot(misfit, off))

    def _code_factor(self, each: Extreme, codes: float) -> float:
        """Quantisation let through by a fit: alone per sample, or shared by the samples within one code."""
        alone = each.noise_factor
        shared = min(1.0, alone * math.sqrt(max(1.0, each.samples / max(1.0, codes))))
        return math.sqrt(self.together * shared**2 + (1.0 - self.together) * alone**2)

    def _misfit(self, each: Extreme | Crossing, code_factor: float) -> float:
        """Difference of a fifth-order fit to the cubic where the figure was read; 0 if noise explains it."""
        scale, interval_s = self.channel.scale, self.figures.interval_s
        base = (self.figures.baseline - self.channel.offset) / scale
        trace = Trace(self.channel.codes, math.copysign(1.0, self.figures.polarity * scale), base)
        start, stop = (round(t / interval_s) for t in each.window_s)
        points = trace.points(start, stop + 1, POINTS)
        if len(points.values) < 7:
            return 0.0
        at = each.time_s / interval_s
        cubic, fifth = (fit(points.first, points.values, order, points.block) for order in (3, 5))
        difference = abs(scale) * abs(fifth.value(at) - cubic.value(at))
        more = math.sqrt(max(0.0, fifth.noise_factor(at) ** 2 - cubic.noise_factor(at) ** 2))
        usual = more * math.hypot(self.noise, self.code * code_factor / each.noise_factor)
        return math.sqrt(difference**2 - usual**2) if difference > SEEN_ABOVE_NOISE * usual else 0.0

    def budget(self, by: Influence) -> Budget:
        """The six contributions, and drift where it is seen, for one figure of this channel alone."""
        parts = {part: self.fitted(part) for part in by.fitted}
        samples = self.figures.baseline_samples
        noise = math.hypot(
            *(by.fitted[p] * f.noise_factor for p, f in parts.items()), by.baseline / samples**0.5
        )
        code = math.hypot(
            *(by.fitted[p] * f.quantisation_factor for p, f in parts.items()),
            by.baseline * self.baseline_code_factor,
        )
        misfit = math.hypot(*(by.fitted[p] * f.misfit for p, f in parts.items()))
        lines = [
            _sampling(misfit, by.unit),
            self._quantisation(code),
            self._noise(noise),
            self._timebase(by.timebase, by.no_timebase),
            self._gain(by.gain, by.no_gain),
            nothing("offset", OFFSET_REMOVED),
            *self._drift(by.baseline),
        ]
        return combine(by.value, by.unit, lines)

    def _quantisation(self, sensitivity: float, of: str = "") -> Contribution:
        shape: Shape = "rectangular" if self.together > 0.5 else "normal"
        why = f"one code is {self.figures.resolution:.3g} {self.channel.unit}"
        return Contribution(
            f"quantisation{of}", self.code, sensitivity, math.inf, shape, why, self.channel.unit
        )

    def _noise(self, sensitivity: float, of: str = "") -> Contribution:
        why = f"rms of the pre-trigger, {self.figures.baseline_samples} samples, taken as white"
        return Contribution(f"noise{of}", self.noise, sensitivity, self.dof, "normal", why, self.channel.unit)

    def _timebase(self, sensitivity: float, reason: str = "") -> Contribution:
        if sensitivity == 0.0:
            return nothing("timebase", reason)
        return within("timebase", self.accuracy.timebase_fraction, sensitivity, "stated accuracy")

    def _gain(self, sensitivity: float, reason: str = "", of: str = "") -> Contribution:
        if sensitivity == 0.0:
            return nothing(f"gain{of}", reason)
        return within(f"gain{of}", self.accuracy.gain_fraction, sensitivity, "stated accuracy")

    def _drift(self, sensitivity: float, of: str = "") -> list[Contribution]:
        if self.drift == 0.0:
            return []
        why = "the pre-trigger moves by more than its noise explains"
        return [within(f"baseline drift{of}", self.drift, sensitivity, why, unit=self.channel.unit)]

    def undershoot(self) -> Budget | None:
        """An undershoot that is seen, or the limit below which none could be; None if none was looked for."""
        if self.figures.swing is None:
            return None
        by = undershoot_influence(self.figures)
        if by is not None:
            return self.budget(by)
        floor, why = (
            self.figures.swing_floor / self.figures.peak.height,
            "part of what could hide in the noise",
        )
        names = ("sampling", "quantisation", "timebase", "gain", "offset")
        lines = [within("noise", floor, 1.0, "a smaller swing is not seen", unit="1")]
        return combine(0.0, "1", [*lines, *(nothing(name, why) for name in names)])


def _sampling(misfit: float, unit: str) -> Contribution:
    if misfit == 0.0:
        return nothing("sampling", "a curve of higher order fits the samples no better than noise explains")
    why = "what a cubic through the samples does not follow"
    return Contribution("sampling", misfit, 1.0, shape="rectangular", why=why, unit=unit)


def _integral(name: str, value: float, roles: Mapping[str, tuple[_Seen, IntegralInfluence]]) -> Budget:
    """Charge (one channel) or energy (two, whose errors are independent of each other)."""
    unit = "C" if name == "charge" else "J"
    lines: list[Contribution] = []
    for role, (seen, by) in roles.items():
        of = "" if len(roles) == 1 else f" of {role}"
        samples = seen.figures.baseline_samples
        code = math.hypot(
            by.noise,
            by.while_active * seen.together**0.5,
            by.baseline * ((1.0 - seen.together) / samples) ** 0.5,
        )
        lines += [
            seen._gain(value, of=of),
            seen._noise(math.hypot(by.noise, by.baseline / samples**0.5), of),
            seen._quantisation(code, of),
            nothing(f"offset{of}", OFFSET_REMOVED),
            *seen._drift(by.baseline, of),
        ]
    first = next(iter(roles.values()))[0]
    sampled = nothing("sampling", "the trapezoidal rule over an impulse that starts and ends at zero")
    return combine(value, unit, [sampled, first._timebase(value), *lines])
