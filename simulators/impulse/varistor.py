"""The specimen: a varistor behind some series resistance, that takes energy, ages, and fails when too hot.

V = C I^beta between the electrodes (the textbook form), plus a leakage path in parallel that shows at d.c.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

SMALLEST_A = 1e-3
"""Below this current a shot does not notice the varistor."""
FAILED_OHM = 0.12
"""What is left of a varistor that broke down."""
CLOSE = 1e-9
MOST_TURNS = 60


@dataclass(frozen=True, slots=True)
class Kind:
    """The type of specimen, and how far one differs from the next. SI units."""

    c: float = 219.0
    beta: float = 0.040
    series_ohm: float = 0.010
    leak_ohm: float = 600e3
    spread_c: float = 0.01
    spread_leak: float = 0.12
    shift_per_j: float = -0.0005
    leak_growth_per_j: float = 0.006
    joule_per_kelvin: float = 0.45
    cooling_s: float = 90.0
    fails_at_celsius: float = 170.0
    polarity_difference: float = 0.003


@dataclass(frozen=True, slots=True)
class VIcurve:
    """A varistor's curve at one moment; the load of a shot."""

    c: float
    beta: float
    series_ohm: float

    def knee_v(self) -> float:
        """The voltage at SMALLEST_A."""
        return self.volts(SMALLEST_A)

    def volts(self, amperes: float) -> float:
        """Voltage at the terminals, of a current of either sign."""
        return math.copysign(self.c * abs(amperes) ** self.beta, amperes) + self.series_ohm * amperes

    def current_behind(self, open_v: float, source_ohm: float) -> float:
        """The current at a source of `open_v` behind `source_ohm`: Newton on w + r j(w) = open_v, w = C j^beta.

        j rises as a high power of w, so the left side is convex: from above, the iteration falls to the root.
        """
        r, level_v = source_ohm + self.series_ohm, abs(open_v)
        power, c = 1 / self.beta, self.c
        w = min(level_v, c * (level_v / r) ** self.beta)
        for _ in range(MOST_TURNS):
            j = (w / c) ** power
            over = w + r * j - level_v
            w -= over / (1 + r * power * j / w) if w else 0.0
            if abs(over) <= CLOSE * level_v:
                break
        return math.copysign((w / c) ** power, open_v)


class Varistor:
    """One specimen and what has become of it. `clamps_x` and `leaks_x` make a bad one of it."""

    def __init__(self, kind: Kind, number: int, rng: np.random.Generator, ambient_celsius: float) -> None:
        self.kind = kind
        self.number = number
        self.c = kind.c * (1 + kind.spread_c * float(rng.uniform(-1, 1)))
        self.leak_ohm = kind.leak_ohm * (1 + kind.spread_leak * float(rng.uniform(-1, 1)))
        self.shots = 0
        self.energy_j = 0.0
        self.failed = False
        self.clamps_x = 1.0
        self.leaks_x = 1.0
        self._heat_k = 0.0
        self._heated_at_s = 0.0
        self._ambient_celsius = ambient_celsius

    def celsius(self, now_s: float) -> float:
        """Its temperature: ambient plus what the shots left, cooling."""
        cooled = math.exp(-(now_s - self._heated_at_s) / self.kind.cooling_s)
        return self._ambient_celsius + self._heat_k * cooled

    def curve(self, polarity: int) -> VIcurve:
        """The curve for a shot of that polarity (1 or -1), not failed."""
        side = 1 + 0.5 * polarity * self.kind.polarity_difference
        return VIcurve(self.c * self.clamps_x * side, self.kind.beta, self.kind.series_ohm)

    def leakage_a(self, volts: float) -> float:
        """Direct current at `volts`."""
        if self.failed:
            return volts / FAILED_OHM
        curve = replace(self.curve(1), series_ohm=0.0)
        return (
            math.copysign((abs(volts) / curve.c) ** (1 / curve.beta), volts)
            + volts * self.leaks_x / self.leak_ohm
        )

    def take(self, energy_j: float, now_s: float) -> None:
        """A shot's energy: it warms, drifts and leaks more, and fails when it gets too hot."""
        celsius_k = self.celsius(now_s) - self._ambient_celsius
        self.shots += 1
        self.energy_j += energy_j
        self._heat_k = celsius_k + energy_j / self.kind.joule_per_kelvin
        self._heated_at_s = now_s
        self.c *= 1 + self.kind.shift_per_j * energy_j
        self.leak_ohm /= 1 + self.kind.leak_growth_per_j * energy_j
        self.failed = self.failed or self.celsius(now_s) > self.kind.fails_at_celsius

    def fail(self) -> None:
        """It breaks down now."""
        self.failed = True
