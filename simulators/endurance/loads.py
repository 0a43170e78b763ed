"""Loads behind a contact, in closed form: resistive, motor, inductive (direct and alternating voltage), tungsten.

A motor is the linear one: L di/dt = U - R i - k w, J dw/dt = k i - b w, started from standstill; its starting current
is `inrush` times the steady one. What it generates while it runs down is left out (a stated simplification: it is
taken to be braked). Filaments stand in `filament.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]
KINDS = ("motor", "resistive", "tungsten", "inductive")
ARC_V, ARC_V_PER_S = 12.5, 6000.0
"""Voltage of an arc as it starts, and how it grows with the gap (from memory; both depend on material and speed)."""
LEAST_ARC_A = 0.4
ARC_POINTS = 400


@dataclass(frozen=True, slots=True)
class LoadBuild:
    """The load of one mount and the supply before it. `current_a` is that of each bank, r.m.s. where it alternates."""

    kind: str = "motor"
    voltage_v: float = 24.0
    frequency_hz: float = 0.0
    current_a: float = 3.6
    banks: int = 1
    inrush: float = 6.0
    electrical_s: float = 1.0e-3
    mechanical_s: float = 40.0e-3
    source_ohm: float = 0.05
    lamps: int = 1

    def __post_init__(self) -> None:
        if min(self.voltage_v, self.current_a, self.electrical_s, self.mechanical_s) <= 0 or self.inrush <= 1:
            raise ValueError("voltage, current and times are above 0, the inrush above 1")

    @property
    def ohm(self) -> float:
        """Voltage over steady current."""
        return self.voltage_v / self.current_a

    @property
    def omega(self) -> float:
        """Angular frequency; 0 for direct voltage."""
        return 2 * math.pi * self.frequency_hz


def motor_share(build: LoadBuild, times_s: Array) -> Array:
    """Current of a starting motor as a part of U/R, at times after the make, by the two eigenvalues of its equations.

    With x = i R/U and e = k w/U: dx/dt = (1 - x - e)/te, de/dt = kappa x - beta e.
    """
    te, tm, q = build.electrical_s, build.mechanical_s, build.inrush
    beta = 1 / (q * tm)
    kappa = (q - 1) * beta
    system = np.array([[-1 / te, -1 / te], [kappa, -beta]])
    values, vectors = np.linalg.eig(system.astype(complex))
    steady = np.array([1 / q, 1 - 1 / q])
    parts = np.linalg.solve(vectors, -steady.astype(complex))
    course = (vectors[0] * parts) @ np.exp(np.outer(values, times_s))
    return np.asarray(steady[0] + course.real, dtype=float)


def direct_current_a(build: LoadBuild, times_s: Array) -> Array:
    """Current at times after a make at the rated direct voltage."""
    if build.kind == "motor":
        return build.inrush * build.current_a * motor_share(build, times_s)
    if build.kind == "inductive":
        return np.asarray(-build.current_a * np.expm1(-times_s / build.electrical_s))
    return np.full(times_s.shape, build.current_a)


@dataclass(frozen=True, eq=False)
class Arc:
    """An arc that draws itself out: current and voltage at equal parts of its time."""

    time_s: float
    current_a: Array
    voltage_v: Array


def direct_arc(build: LoadBuild, volts: float, amperes: float) -> Arc:
    """From the parting of a contact that carries a steady current to its end, at direct voltage.

    L di/dt = (U - E) - R i - v with an arc voltage v = ARC_V + ARC_V_PER_S t.
    """
    if volts <= ARC_V or amperes < LEAST_ARC_A:
        return Arc(0.0, np.zeros(0), np.zeros(0))
    scale = build.inrush if build.kind == "motor" else 1.0
    ohm = volts / (scale * amperes)
    tau_s = build.electrical_s if build.kind in ("motor", "inductive") else 1e-6
    drive_v = ohm * amperes  # U less the voltage that a running motor sets against it
    level_a, slope = (drive_v - ARC_V) / ohm + ARC_V_PER_S * tau_s / ohm, -ARC_V_PER_S / ohm
    longest_s = (volts / ARC_V_PER_S) + 8 * tau_s
    times_s = np.linspace(0.0, longest_s, 20 * ARC_POINTS)
    course_a = level_a + slope * times_s + (amperes - level_a) * np.exp(-times_s / tau_s)
    end_s = float(times_s[int(np.argmax(course_a <= 0))])
    places_s = np.linspace(0.0, end_s, ARC_POINTS)
    currents_a = np.interp(places_s, times_s, course_a).clip(0.0)
    return Arc(end_s, currents_a, ARC_V + ARC_V_PER_S * places_s)


def alternating_current_a(build: LoadBuild, phase: float, times_s: Array) -> Array:
    """Current at times after a make at `phase` of the rated alternating voltage, of all kinds but tungsten."""
    peak_a, angles = math.sqrt(2) * build.current_a, phase + build.omega * times_s
    if build.kind == "resistive":
        return np.asarray(peak_a * np.sin(angles))
    lag = math.atan(build.omega * build.electrical_s)
    course = np.sin(angles - lag) - math.sin(phase - lag) * np.exp(-times_s / build.electrical_s)
    if build.kind == "motor":
        course = course * (1 + (build.inrush - 1) * np.exp(-times_s / build.mechanical_s))
    return np.asarray(peak_a * course)


def steady_lag(build: LoadBuild) -> float:
    """By how much the steady current lags behind the voltage."""
    inductive = build.kind in ("motor", "inductive")
    return math.atan(build.omega * build.electrical_s) if inductive else 0.0
