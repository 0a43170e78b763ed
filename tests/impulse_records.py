"""Impulse records for the tests: closed forms with noise, offset, few bits, any polarity and any time origin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from orchestrator.analysis.waveform import Array, Channel, Waveform

Form = Callable[[Array], Array]


def voltage_1_2_50(t_us: Array) -> Array:
    return np.asarray(1.037 * (1.0 - np.exp(-t_us / 0.4074)) * np.exp(-t_us / 68.22) / 0.9997622384)


def current_8_20(t_us: Array) -> Array:
    return np.asarray(0.01243 * t_us**3 * np.exp(-t_us / 3.911) / 0.9995738707)


def series_circuit(t_us: Array) -> Array:
    return np.asarray(np.exp(-0.04162847 * t_us) * np.sin(0.12002333 * t_us) / 0.6151967914)


@dataclass(frozen=True)
class Truth:
    """A unit-peak form with its figures (impulse_oracle.py), times in us."""

    form: Form
    method: str
    front_time_us: float
    time_to_half_us: float
    undershoot: float = 0.0

    @property
    def role(self) -> str:
        return "voltage" if self.method == "impulse-voltage" else "current"

    @property
    def unit(self) -> str:
        return "V" if self.role == "voltage" else "A"


V_1_2_50 = Truth(voltage_1_2_50, "impulse-voltage", 1.1998572, 50.0018174)
I_8_20 = Truth(current_8_20, "impulse-current", 8.0226963, 19.9382309)
I_SERIES = Truth(series_circuit, "impulse-current", 8.0, 20.0, 0.3363446)


def times_us(rate_hz: float, length_us: float = 100.0, pre_us: float = 10.0, phase: float = 0.0) -> Array:
    """Times from the start of the impulse; `phase` shifts the samples by a part of their interval."""
    return np.asarray((np.arange(round(length_us * rate_hz * 1e-6)) + phase) * 1e6 / rate_hz - pre_us)


def values(form: Form, t_us: Array) -> Array:
    return np.where(t_us > 0.0, form(np.maximum(t_us, 0.0)), 0.0)


def record(
    truth: Truth,
    rate_hz: float = 100e6,
    *,
    peak: float = 1000.0,
    noise: float = 0.0,
    offset: float = 0.0,
    bits: int | None = None,
    length_us: float = 100.0,
    pre_us: float = 10.0,
    seed: int = 0,
) -> Waveform:
    """`peak` is signed; noise (rms) and offset are fractions of it. The seed draws noise and sampling phase."""
    rng = np.random.default_rng(seed)
    t_us = times_us(rate_hz, length_us, pre_us, float(rng.random()))
    seen = peak * values(truth.form, t_us) + abs(peak) * (offset + noise * rng.standard_normal(len(t_us)))
    channel = digitised(truth.role, truth.unit, seen, 1.35 * abs(peak), bits)
    return Waveform(1.0 / rate_hz, t_us[0] * 1e-6, {truth.role: channel})


def digitised(name: str, unit: str, seen: Array, full_scale: float, bits: int | None) -> Channel:
    """As floats, or as the codes of a converter of +-full_scale."""
    if bits is None:
        return Channel(name, unit, seen)
    step = 2.0 * full_scale / 2.0**bits
    codes = np.clip(np.rint(seen / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype(np.int16)
    return Channel(name, unit, codes, step, 0.0, (-full_scale, full_scale), bits)


def of_values(seen: Array, unit: str = "V", interval_s: float = 1e-8) -> Waveform:
    """A record of given values, without a stated range."""
    role = {"V": "voltage", "A": "current"}[unit]
    return Waveform(interval_s, 0.0, {role: Channel(role, unit, seen)})


def write_csv(path: Path, header: str, *columns: Array) -> Path:
    """A CSV with nine digits a cell."""
    lines = (",".join(f"{cell:.9g}" for cell in row) for row in zip(*columns, strict=True))
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path
