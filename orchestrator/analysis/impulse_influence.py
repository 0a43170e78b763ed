"""How each impulse figure answers to small errors: of a fitted value, of the baseline, of gain and time scale.

Every figure is read from a few fitted values (the crest, the level crossings, an opposite swing) and the
baseline, and is linear in their small errors. `Influence` holds these derivatives for one figure. With height
h = sign * (code - baseline), a baseline found too high by db lowers every height by db, so a crossing of the
fraction p of the peak moves by (1 - p) db / slope; a peak found too high by dH moves it by p dH / slope, and
an error dy of the curve at the crossing by -dy / slope.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from orchestrator.analysis.figures import Crossing, Figures, Integrals, Internals

Part = Literal["peak", "swing", "front_10", "front_30", "front_50", "front_90", "tail_50"]
Weights = Mapping[Part, float]


@dataclass(frozen=True)
class Influence:
    """Derivatives of one figure, in its own unit per unit of the error.

    `fitted` by fitted height, `baseline` by the baseline's height, `gain` and `timebase` by a relative error.
    """

    value: float
    unit: str
    fitted: Weights
    baseline: float
    gain: float = 0.0
    timebase: float = 0.0


def peak_influence(figures: Figures) -> Influence:
    sign = float(figures.polarity)
    return Influence(figures.peak_value, figures.unit, {"peak": sign}, -sign, gain=figures.peak_value)


def times(figures: Figures) -> dict[str, Influence]:
    """The time figures of an impulse whose front and tail were read, by result name."""
    low: Part = "front_10" if "front_10" in figures.crossings else "front_30"
    level = figures.crossings[low].level_fraction
    span = 0.9 - level
    back = level / span  # from the low crossing back to the virtual origin, in spans
    return {
        "front_time": _time(figures, {low: -1.0 / span, "front_90": 1.0 / span}),
        "time_to_half": _time(figures, {"tail_50": 1.0, low: -1.0 - back, "front_90": back}),
        "duration_50": _time(figures, {"tail_50": 1.0, "front_50": -1.0}),
        "duration_118": _time(figures, {"tail_50": 1.18, "front_50": -1.18}),
    }


def _time(figures: Figures, weights: Weights) -> Influence:
    """A time that is a weighted sum of crossing times; the weights add up to zero."""
    crossings: Mapping[Part, Crossing] = {part: figures.crossings[part] for part in weights}
    value = sum(w * crossings[part].time_s for part, w in weights.items())
    fitted: dict[Part, float] = {part: -w / crossings[part].slope_per_s for part, w in weights.items()}
    fitted["peak"] = -sum(each * crossings[part].level_fraction for part, each in fitted.items())
    baseline = -sum(fitted[part] * (1.0 - crossings[part].level_fraction) for part in weights)
    return Influence(value, "s", fitted, baseline, timebase=value)


def undershoot_influence(figures: Figures) -> Influence | None:
    """Opposite swing over peak; None if no swing stands out of noise and resolution."""
    ratio, height = figures.undershoot_fraction, figures.peak.height
    if ratio == 0.0:
        return None
    fitted: Weights = {"swing": -1.0 / height, "peak": -ratio / height}
    return Influence(ratio, "1", fitted, (1.0 + ratio) / height)


@dataclass(frozen=True)
class IntegralInfluence:
    """What charge or energy does with the errors of one channel.

    `noise` is by white noise in each sample, `baseline` by the baseline, `while_active` by a baseline error
    that counts only while the impulse lasts.
    """

    noise: float
    baseline: float
    while_active: float


def integral_influences(internals: Internals) -> dict[str, tuple[float, dict[str, IntegralInfluence]]]:
    """Result name -> (value, role -> influence) for charge and energy."""
    sums = internals.integrals
    assert sums is not None  # the method that gives charge and energy computes them
    interval_s = internals.figures["current"].interval_s
    span_s = sums.stop_s - sums.start_s
    active = _active_share(sums, span_s)
    alone = IntegralInfluence((interval_s * span_s) ** 0.5, -span_s, -span_s * active)
    by_voltage = (interval_s * sums.current_squared) ** 0.5
    by_current = (interval_s * sums.voltage_squared) ** 0.5
    both = {
        "voltage": IntegralInfluence(by_voltage, -sums.charge, -sums.charge),
        "current": IntegralInfluence(by_current, -sums.voltage, -sums.voltage),
    }
    return {"charge": (sums.charge, {"current": alone}), "energy": (sums.energy, both)}


def trapezoid_limit(internals: Internals, name: str) -> float:
    """What the trapezoidal rule may miss of charge or energy where the impulse sets in with a bend.

    Thrice interval^2 / 12 times the slope (Euler and Maclaurin), for a current that rises evenly from the start
    of the integral to its crest; a smooth start and end add nothing.
    """
    sums, current = internals.integrals, internals.figures["current"]
    assert sums is not None  # as above
    rise_s = max(current.peak.time_s - sums.start_s, current.interval_s)
    slope = abs(current.peak.height) / rise_s
    size = slope if name == "charge" else slope * abs(internals.figures["voltage"].peak.height)
    return current.interval_s**2 / 4.0 * size


def _active_share(sums: Integrals, span_s: float) -> float:
    """Part of the integration in which current flows: four times a rectangle with the same sums of i and i2."""
    if sums.current_squared == 0.0 or span_s == 0.0:
        return 1.0
    return min(1.0, 4.0 * sums.charge**2 / sums.current_squared / span_s)
