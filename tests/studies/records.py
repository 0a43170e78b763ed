"""Seeded waveform records whose true figures are known from closed forms, with errors drawn as stated.

The truth comes by another route than the analysis: roots of the closed form, and integrals of it. Nothing
here reads a figure from samples.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from orchestrator.analysis.waveform import Accuracy, Channel, Waveform

Array = NDArray[np.float64]
LOW_LEVEL = {"impulse-voltage": 0.3, "impulse-current": 0.1}


@dataclass(frozen=True)
class Impulse:
    """A closed form of time in seconds, zero before t = 0; `scale_s` is about its crest time."""

    name: str
    form: Callable[[Any], Any]
    scale_s: float
    until_s: float

    @cached_property
    def crest_s(self) -> float:
        return self._extreme_s(-1.0, 0.0, 4.0 * self.scale_s)

    @cached_property
    def peak(self) -> float:
        return float(self.form(self.crest_s))

    def _extreme_s(self, sign: float, start_s: float, stop_s: float) -> float:
        """Where `sign` times the form is smallest between two times."""
        found = minimize_scalar(
            lambda t: sign * float(self.form(t)),
            bounds=(start_s, stop_s),
            method="bounded",
            options={"xatol": 1e-15},
        )
        return float(found.x)

    def at(self, t_s: Array) -> Array:
        """Heights of the unit-peak impulse at any times."""
        heights = self.form(np.maximum(t_s, 0.0)) / self.peak
        return np.where(t_s > 0.0, heights, 0.0)

    def crossing_s(self, level: float, start_s: float, stop_s: float) -> float:
        return float(brentq(lambda t: float(self.form(t)) / self.peak - level, start_s, stop_s, xtol=1e-16))

    @cache  # noqa: B019  a handful of impulses, each kept for the whole study
    def figures(self, method: str) -> Mapping[str, float]:
        """True figures of the unit-peak impulse: times in seconds by the definitions of `method`."""
        low = LOW_LEVEL[method]
        rising = {level: self.crossing_s(level, 0.0, self.crest_s) for level in (low, 0.5, 0.9)}
        half_s = self.crossing_s(0.5, self.crest_s, self._after_half_s)
        front_s = (rising[0.9] - rising[low]) / (0.9 - low)
        return {
            "peak": 1.0,
            "front_time": front_s,
            "time_to_half": half_s - (rising[low] - low * front_s),
            "duration_50": half_s - rising[0.5],
            "duration_118": 1.18 * (half_s - rising[0.5]),
            "undershoot": self.undershoot,
        }

    @cached_property
    def _after_half_s(self) -> float:
        """A time on the tail at which the height has fallen below one half."""
        t_s = np.linspace(self.crest_s, self.until_s, 4000)
        return float(t_s[np.argmax(self.at(t_s) < 0.5)])

    @cached_property
    def undershoot(self) -> float:
        t_s = np.linspace(self.crest_s, self.until_s, 4000)
        deepest = float(t_s[np.argmin(self.at(t_s))])
        if float(np.min(self.at(t_s))) > -1e-9:
            return 0.0
        step_s = float(t_s[1] - t_s[0])
        return -float(self.form(self._extreme_s(1.0, deepest - step_s, deepest + step_s))) / self.peak


def double_exponential(front_s: float = 0.4074e-6, tail_s: float = 68.22e-6) -> Impulse:
    """1.2/50 with the usual constants: (1 - exp(-t/front)) exp(-t/tail)."""
    return Impulse(
        "1.2/50",
        lambda t: (1.0 - np.exp(-t / front_s)) * np.exp(-t / tail_s),
        5.0 * front_s,
        4.0 * tail_s,
    )


def cubic_exponential(tau_s: float = 3.911e-6) -> Impulse:
    """8/20 with the usual constant: t^3 exp(-t/tau); no undershoot."""
    return Impulse("8/20", lambda t: (t / tau_s) ** 3 * np.exp(-t / tau_s), 3.0 * tau_s, 25.0 * tau_s)


def damped_sine(decay_per_s: float = 0.04162847e6, angular_per_s: float = 0.12002333e6) -> Impulse:
    """8/20 of a plain series circuit: exp(-a t) sin(w t); undershoot exp(-pi a / w)."""
    return Impulse(
        "damped 8/20",
        lambda t: np.exp(-decay_per_s * t) * np.sin(angular_per_s * t),
        1.3 / angular_per_s,
        60e-6,
    )


@dataclass(frozen=True)
class Setting:
    """How a record is taken. `accuracy` holds the limits of the errors that are drawn."""

    rate_hz: float = 100e6
    samples: int = 2000
    pre_trigger: float = 0.2
    bits: int = 12
    peak_in_range: tuple[float, float] = (0.5, 0.9)
    noise_of_peak: float = 0.002
    noise_run: int = 1  # samples that a moving mean has smoothed the noise over, its rms kept
    drift_of_peak: float = 0.0  # limit of a straight drift over the pre-trigger
    accuracy: Accuracy = field(default_factory=lambda: Accuracy(0.005, 0.001, 50e-6))


@dataclass(frozen=True)
class Errors:
    """What went wrong in one record and cannot be seen in it: drawn, rectangular within the stated limits."""

    timebase: float
    phase: float
    polarity: float


def draw_errors(setting: Setting, drawn: np.random.Generator) -> Errors:
    limit = setting.accuracy.timebase_fraction
    return Errors(drawn.uniform(-limit, limit), drawn.uniform(0.0, 1.0), drawn.choice([-1.0, 1.0]))


def instants_s(setting: Setting, errors: Errors) -> Array:
    """True instants of the samples: the nominal interval is wrong by the timebase error."""
    ticks = np.arange(setting.samples) - int(setting.pre_trigger * setting.samples) + errors.phase
    return np.asarray(ticks / setting.rate_hz * (1.0 + errors.timebase), np.float64)


def channel(
    name: str, unit: str, true_values: Array, peak: float, setting: Setting, drawn: np.random.Generator
) -> Channel:
    """Digitise: gain and offset error, noise, range, rounding to codes, ends of the range."""
    accuracy = setting.accuracy
    full_scale = peak / drawn.uniform(*setting.peak_in_range)
    step = 2.0 * full_scale / 2**setting.bits
    gain = 1.0 + drawn.uniform(-accuracy.gain_fraction, accuracy.gain_fraction)
    limit = accuracy.offset_fraction_of_range * full_scale
    seen: Array = true_values * gain + drawn.uniform(-limit, limit)
    white = drawn.standard_normal(setting.samples + setting.noise_run - 1)
    smooth = np.convolve(white, np.full(setting.noise_run, setting.noise_run**-0.5), "valid")
    seen += setting.noise_of_peak * peak * smooth
    if setting.drift_of_peak:
        per_sample = drawn.uniform(-1.0, 1.0) * setting.drift_of_peak * peak / setting.samples
        seen += per_sample / setting.pre_trigger * np.arange(setting.samples)
    ends = 2 ** (setting.bits - 1)
    codes = np.clip(np.round(seen / step), -ends, ends - 1).astype(
        np.int16 if setting.bits <= 15 else np.int32
    )
    return Channel(name, unit, codes, step, 0.0, (-full_scale, full_scale), setting.bits, accuracy)


@dataclass(frozen=True)
class Record:
    """A waveform, the method that belongs to it, and the true figures."""

    waveform: Waveform
    method: str
    truth: Mapping[str, float]


def single_channel(method: str, impulse: Impulse, setting: Setting, drawn: np.random.Generator) -> Record:
    """One record of `impulse-voltage` or `impulse-current`, of random polarity and size."""
    errors = draw_errors(setting, drawn)
    peak = drawn.uniform(200.0, 2000.0)
    name, unit = ("voltage", "V") if method == "impulse-voltage" else ("current", "A")
    true_values = errors.polarity * peak * impulse.at(instants_s(setting, errors))
    truth = {**impulse.figures(method), "peak": errors.polarity * peak}
    return Record(_waveform(setting, channel(name, unit, true_values, peak, setting, drawn)), method, truth)


def _waveform(setting: Setting, *channels: Channel) -> Waveform:
    first_s = -int(setting.pre_trigger * setting.samples) / setting.rate_hz
    return Waveform(1.0 / setting.rate_hz, first_s, {c.name: c for c in channels})


SHARPNESS = 0.08  # exponent of the clamped voltage: a varistor-like flat top
SOFTENING = 1e-3  # keeps the clamped voltage's slope finite at the first instant


def clamped(current: Array) -> Array:
    """Unit voltage across a varistor-like specimen for a unit-peak current, zero at zero current."""
    bend = SOFTENING**SHARPNESS
    bent = (np.maximum(current, 0.0) + SOFTENING) ** SHARPNESS - bend
    return np.asarray(bent / ((1.0 + SOFTENING) ** SHARPNESS - bend), np.float64)


def limiting(setting: Setting, drawn: np.random.Generator, impulse: Impulse) -> Record:
    """One record of `limiting-voltage`: voltage and current of a clamping specimen, with true integrals."""
    errors = draw_errors(setting, drawn)
    volts, amperes = drawn.uniform(200.0, 400.0), drawn.uniform(300.0, 3000.0)
    current = impulse.at(instants_s(setting, errors))
    channels = (
        channel("voltage", "V", errors.polarity * volts * clamped(current), volts, setting, drawn),
        channel("current", "A", errors.polarity * amperes * current, amperes, setting, drawn),
    )
    charge_s, energy_s = integrals_s(impulse)
    truth = {
        "limiting_voltage": errors.polarity * volts,
        "peak_current": errors.polarity * amperes,
        "charge": errors.polarity * amperes * charge_s,
        "energy": volts * amperes * energy_s,
    }
    return Record(_waveform(setting, *channels), "limiting-voltage", truth)


@cache
def integrals_s(impulse: Impulse) -> tuple[float, float]:
    """Integrals over all time of the unit current, and of unit current times unit voltage, in seconds."""

    def power(t: float) -> float:
        current = impulse.at(np.array([t]))
        return float((current * clamped(current))[0])

    charge, _ = quad(lambda t: float(impulse.at(np.array([t]))[0]), 0.0, impulse.until_s, limit=200)
    energy, _ = quad(power, 0.0, impulse.until_s, limit=200)
    return charge, energy
