"""Uncertainty budgets of impulse figures: sampling, quantisation, noise, timebase, gain, offset.

* *noise*: rms of the pre-trigger, let through by each local fit and by the baseline's mean, more of it where
  neighbouring samples share their noise.
* *quantisation*: half a code either way. Noise of half a code and more scatters it, and fits average it; a
  quiet record carries it whole in the baseline, and in the crest as far as that stays within a few codes.
* *sampling*: what a cubic does not follow. Where the record shows it (a curve of higher order over the same
  stretch differs by more than noise explains) that difference counts; crossings of few samples have in
  addition a limit found on closed forms with random sampling phase (`FOOT_OF_FRONT`).
* *timebase*, *gain*: the limits that the instrument's maker or its calibration states, rectangular.
* *offset*: removed with the baseline, so it counts as zero; drift seen in the pre-trigger counts instead.

That they hold is shown by tests/studies/coverage.py. Not in the budget: non-linearity, limited bandwidth,
probe loading, and pick-up that begins with the impulse. Where they matter, the stated accuracy has to cover
them. Two channels are taken as independent of each other but for their common timebase.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from orchestrator.analysis.coverage_factor import Shape
from orchestrator.analysis.figures import Internals
from orchestrator.analysis.impulse_errors import ChannelErrors
from orchestrator.analysis.impulse_influence import (
    Influence,
    IntegralInfluence,
    integral_influences,
    peak_influence,
    times,
    trapezoid_limit,
    undershoot_influence,
)
from orchestrator.analysis.uncertainty import Budget, Contribution, combine, nothing, within
from orchestrator.analysis.waveform import Accuracy, Waveform

UNITS = {"charge": "C", "energy": "J"}
OFFSET_REMOVED = "constant over the record, removed with the mean of the pre-trigger"
NO_TIME = "no time enters this figure"
NO_GAIN = "levels and swings are fractions of the peak: a common gain cancels"
NO_MISFIT = "a curve of higher order fits the samples no better than noise explains"
HIDDEN = "part of what could hide in the noise"


def budget(waveform: Waveform, method: str, internals: Internals) -> dict[str, Budget]:
    """Budgets by result name, for the figures of one record.

    Empty while a channel of the method states no accuracy. A swing that was not looked for gives none.
    """
    del waveform  # the channels that the method picked are in `internals`
    sources: dict[str, _Source] = {}
    for role, figures in internals.figures.items():
        channel = internals.channels[role]
        if channel.accuracy is None:
            return {}
        sources[role] = _Source(ChannelErrors.seen(channel, figures), channel.accuracy)
    if method == "limiting-voltage":
        return _limiting(internals, sources)
    return _impulse(next(iter(sources.values())))


def _impulse(source: _Source) -> dict[str, Budget]:
    figures = source.errors.figures
    influences = {"peak": peak_influence(figures), **times(figures)}
    found = {name: _budget(source, by) for name, by in influences.items()}
    if figures.swing is not None:
        found["undershoot"] = _undershoot(source)
    return found


def _limiting(internals: Internals, sources: Mapping[str, _Source]) -> dict[str, Budget]:
    found = {
        "limiting_voltage": _budget(sources["voltage"], peak_influence(internals.figures["voltage"])),
        "peak_current": _budget(sources["current"], peak_influence(internals.figures["current"])),
    }
    for name, (value, roles) in integral_influences(internals).items():
        unit, missed = UNITS[name], trapezoid_limit(internals, name)
        sampling = within("sampling", missed, 1.0, "trapezoidal rule where the impulse sets in", unit=unit)
        channels = {role: (sources[role], by) for role, by in roles.items()}
        found[name] = combine(value, unit, [sampling, *_integral(value, channels)])
    return found


@dataclass(frozen=True)
class _Source:
    """One channel as a source of contributions. `of` tells the channels of one budget apart."""

    errors: ChannelErrors
    accuracy: Accuracy

    def quantisation(self, sensitivity: float, of: str = "") -> Contribution:
        errors, unit = self.errors, self.errors.channel.unit
        shape: Shape = "rectangular" if errors.together > 0.5 else "normal"
        why = f"one code is {errors.figures.resolution:.3g} {unit}"
        return Contribution(f"quantisation{of}", errors.code, sensitivity, math.inf, shape, why, unit)

    def noise(self, sensitivity: float, of: str = "") -> Contribution:
        errors, samples = self.errors, self.errors.figures.baseline_samples
        colour = "white" if errors.run == 1.0 else f"shared by runs of {errors.run:.1f} samples"
        why, unit = f"rms of the pre-trigger, {samples} samples, {colour}", errors.channel.unit
        return Contribution(f"noise{of}", errors.noise, sensitivity, errors.noise_dof, "normal", why, unit)

    def timebase(self, sensitivity: float) -> Contribution:
        if sensitivity == 0.0:
            return nothing("timebase", NO_TIME)
        return within("timebase", self.accuracy.timebase_fraction, sensitivity, "stated accuracy")

    def gain(self, sensitivity: float, of: str = "") -> Contribution:
        if sensitivity == 0.0:
            return nothing(f"gain{of}", NO_GAIN)
        return within(f"gain{of}", self.accuracy.gain_fraction, sensitivity, "stated accuracy")

    def drift(self, sensitivity: float, of: str = "") -> list[Contribution]:
        limit = self.errors.drift
        if limit == 0.0:
            return []
        why = "the pre-trigger moves by more than its noise explains"
        return [within(f"baseline drift{of}", limit, sensitivity, why, unit=self.errors.channel.unit)]


def _budget(source: _Source, by: Influence) -> Budget:
    """The six contributions, and drift where it is seen, for a figure of one channel."""
    errors = source.errors
    parts = [(weight, errors.fitted(part)) for part, weight in by.fitted.items()]
    noise = math.hypot(*(w * f.noise_factor for w, f in parts), by.baseline * errors.baseline_noise_factor)
    code = math.hypot(*(w * f.code_factor for w, f in parts), by.baseline * errors.baseline_code_factor)
    misfit = math.hypot(*(w * f.misfit for w, f in parts))
    lines = [
        _sampling(misfit, by.unit),
        source.quantisation(code),
        source.noise(noise),
        source.timebase(by.timebase),
        source.gain(by.gain),
        nothing("offset", OFFSET_REMOVED),
        *source.drift(by.baseline),
    ]
    return combine(by.value, by.unit, lines)


def _sampling(misfit: float, unit: str) -> Contribution:
    if misfit == 0.0:
        return nothing("sampling", NO_MISFIT)
    why = "what a cubic through the samples does not follow"
    return Contribution("sampling", misfit, 1.0, shape="rectangular", why=why, unit=unit)


def _undershoot(source: _Source) -> Budget:
    """An undershoot that is seen, or the limit below which one could hide."""
    figures = source.errors.figures
    by = undershoot_influence(figures)
    if by is not None:
        return _budget(source, by)
    floor = figures.swing_floor / figures.peak.height
    hidden = [nothing(name, HIDDEN) for name in ("sampling", "quantisation", "timebase", "gain", "offset")]
    return combine(0.0, "1", [within("noise", floor, 1.0, "a smaller swing is not seen", unit="1"), *hidden])


def _integral(value: float, roles: Mapping[str, tuple[_Source, IntegralInfluence]]) -> list[Contribution]:
    """Charge (one channel) or energy (two, whose errors are independent of each other)."""
    lines: list[Contribution] = []
    for role, (source, by) in roles.items():
        of = "" if len(roles) == 1 else f" of {role}"
        together, alone = source.errors.together, (1.0 - source.errors.together)
        per_baseline = by.baseline * source.errors.baseline_noise_factor
        code = math.hypot(by.noise, by.while_active * together**0.5, per_baseline * alone**0.5)
        lines += [
            source.gain(value, of),
            source.noise(math.hypot(by.noise * source.errors.run**0.5, per_baseline), of),
            source.quantisation(code, of),
            nothing(f"offset{of}", OFFSET_REMOVED),
            *source.drift(by.baseline, of),
        ]
    return [*lines, next(iter(roles.values()))[0].timebase(value)]
