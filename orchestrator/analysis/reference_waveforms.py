"""Closed-form impulses with independently computed figures, recorded as a digitiser would record them.

The references in reference_waveforms.json were computed with 30 digits by root finding and quadrature
(tests/published/impulse_oracle.py), not by the procedure that they judge.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from orchestrator.analysis.waveform import Array, Channel, Waveform

PRE_TRIGGER = 0.1  # of the record
FULL_SCALE = 1.3  # times the peak, either way


@dataclass(frozen=True)
class ReferenceWaveform:
    """One closed form; `references` are in base units for an amplitude of 1."""

    name: str
    source: str
    method: str
    form: str
    constants: Mapping[str, float]
    sample_rate_hz: float
    record_s: float
    references: Mapping[str, float]
    ohms: float | None = None


@dataclass(frozen=True)
class Recording:
    """How a reference is recorded: `bits` None for values as they are; noise is rms, of the peak."""

    name: str
    bits: int | None
    polarity: int
    noise_fraction: float
    offset_fraction: float


RECORDINGS = (
    Recording("as computed", None, 1, 0.0, 0.0),
    Recording("16 bits, negative", 16, -1, 0.0, 0.0),
    Recording("12 bits, offset 5 %", 12, 1, 0.0005, 0.05),
    Recording("10 bits, noise 0.2 %, negative, offset 3 %", 10, -1, 0.002, 0.03),
    Recording("8 bits, noise 0.5 %", 8, 1, 0.005, 0.0),
)


def reference_waveforms() -> list[ReferenceWaveform]:
    """All references that ship with the product."""
    text = files("orchestrator.analysis").joinpath("reference_waveforms.json").read_text(encoding="utf-8")
    return [
        ReferenceWaveform(
            name=entry["name"],
            source=entry["source"],
            method=entry["method"],
            form=entry["form"],
            constants=entry["constants"],
            sample_rate_hz=entry["sample_rate_hz"],
            record_s=entry["record_us"] * 1e-6,
            references=entry["references"],
            ohms=entry.get("ohms"),
        )
        for entry in json.loads(text)["waveforms"]
    ]


def recorded(reference: ReferenceWaveform, amplitude: float, how: Recording, seed: int) -> Waveform:
    """The reference times `amplitude`, recorded; the same seed gives the same record."""
    interval_s = 1.0 / reference.sample_rate_hz
    count = round(reference.record_s * reference.sample_rate_hz)
    # no sample falls on the start of the impulse
    first_s = -PRE_TRIGGER * reference.record_s + 0.37 * interval_s
    time_us = 1e6 * (first_s + interval_s * np.arange(count))
    values = amplitude * FORMS[reference.form](np.maximum(time_us, 0.0), reference.constants)
    rng = np.random.default_rng(seed)
    if reference.ohms is not None:
        voltage = _digitised("voltage", "V", reference.ohms * values, how, rng)
        channels = {"voltage": voltage, "current": _digitised("current", "A", values, how, rng)}
    elif reference.method == "impulse-voltage":
        channels = {"voltage": _digitised("voltage", "V", values, how, rng)}
    else:
        channels = {"current": _digitised("current", "A", values, how, rng)}
    return Waveform(interval_s, first_s, channels)


def _digitised(name: str, unit: str, values: Array, how: Recording, rng: np.random.Generator) -> Channel:
    peak = float(np.max(np.abs(values)))
    noise = how.noise_fraction * peak * rng.standard_normal(len(values))
    seen = how.polarity * values + how.offset_fraction * peak + noise
    if how.bits is None:
        return Channel(name, unit, seen)
    full_scale = FULL_SCALE * peak
    step = 2.0 * full_scale / 2.0**how.bits
    codes = np.clip(np.rint(seen / step), -(2 ** (how.bits - 1)), 2 ** (how.bits - 1) - 1).astype(np.int16)
    return Channel(name, unit, codes, scale=step, full_scale=(-full_scale, full_scale), bits=how.bits)


def _product_of_exponentials(time_us: Array, k: Mapping[str, float]) -> Array:
    rise, fall = np.exp(-time_us / k["rise_us"]), np.exp(-time_us / k["fall_us"])
    return np.asarray(k["amplitude"] * (1.0 - rise) * fall, dtype=np.float64)


def _cubic_exponential(time_us: Array, k: Mapping[str, float]) -> Array:
    return np.asarray(k["amplitude"] * time_us**3 * np.exp(-time_us / k["decay_us"]), dtype=np.float64)


def _difference_of_exponentials(time_us: Array, k: Mapping[str, float]) -> Array:
    slow, fast = np.exp(-k["slow_per_us"] * time_us), np.exp(-k["fast_per_us"] * time_us)
    return np.asarray(k["amplitude"] * (slow - fast), dtype=np.float64)


def _damped_sine(time_us: Array, k: Mapping[str, float]) -> Array:
    damped = np.exp(-k["damping_per_us"] * time_us) * np.sin(k["angular_per_us"] * time_us)
    return np.asarray(k["amplitude"] * damped, dtype=np.float64)


FORMS: Mapping[str, Callable[[Array, Mapping[str, float]], Array]] = {
    "product_of_exponentials": _product_of_exponentials,
    "cubic_exponential": _cubic_exponential,
    "difference_of_exponentials": _difference_of_exponentials,
    "damped_sine": _damped_sine,
}
