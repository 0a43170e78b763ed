"""A tungsten filament: resistance by its temperature, temperature by its heat balance.

Resistance grows with the 1.2th power of temperature (from memory of lamp handbooks; `tests/published` holds it against
a maker's table of resistivity). Wire length and thickness follow from voltage, current and hot temperature: the hot
resistance is rho l/A, the radiated power eps sigma T^4 pi d l. Heat balance: c m dT/dt = u^2/R(T) - radiation -
conduction. Both ways, heating at a voltage and cooling, need no stepping: the time between two temperatures is an
integral over temperature, tabulated once. An alternating voltage heats by u^2, so its course stands in for time.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from simulators.endurance.loads import Array

EXPONENT = 1.2
COLD_K = 293.0
STEFAN_BOLTZMANN = 5.670374e-8
EMISSIVITY = 0.33
RESISTIVITY_OHM_M = 5.5e-8
"""At COLD_K."""
DENSITY = 19300.0
HEAT_J_PER_KG_K = 160.0
"""Of hot tungsten, from memory; at room temperature 132."""
CONDUCTED = 0.1
"""Part of the rated power that the gas and the holders take away."""
POINTS = 20_000
STEP_S = 20e-6
HEATS_FOR_S = 1.0


@dataclass(frozen=True, eq=False)
class Filament:
    """A lamp for a rated voltage and current, hot at `hot_k`."""

    rated_v: float
    rated_a: float
    hot_k: float = 2750.0
    _conductance: Array = field(init=False, repr=False)
    _heated_k: Array = field(init=False, repr=False)
    _falling_k: Array = field(init=False, repr=False)
    _minus_falling_k: Array = field(init=False, repr=False)
    _cooled_s: Array = field(init=False, repr=False)
    _heated_s: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        rising_k = COLD_K + (self.hot_k - COLD_K) * (1 - np.geomspace(1.0, 1e-6, POINTS))
        rising_k[0] = COLD_K
        middle_k = 0.5 * (rising_k[1:] + rising_k[:-1])
        gain_w = self.rated_v**2 / self.ohm(middle_k) - self.loss_w(middle_k)
        taken_s = np.concatenate(([0.0], np.cumsum(self.heat_j_per_k * np.diff(rising_k) / gain_w)))
        grid_s = np.arange(0.0, HEATS_FOR_S, STEP_S)
        heated_k = np.interp(grid_s, taken_s, rising_k)
        falling_k = COLD_K + (self.hot_k - COLD_K) * np.geomspace(1.0, 1e-4, POINTS)
        middle_k = 0.5 * (falling_k[1:] + falling_k[:-1])
        cooled_s = np.concatenate(
            ([0.0], np.cumsum(-self.heat_j_per_k * np.diff(falling_k) / self.loss_w(middle_k)))
        )
        for name, value in (
            ("_heated_k", heated_k),
            ("_heated_s", grid_s),
            ("_conductance", 1 / self.ohm(heated_k)),
            ("_falling_k", falling_k),
            ("_minus_falling_k", -falling_k),
            ("_cooled_s", cooled_s),
        ):
            object.__setattr__(self, name, value)

    @property
    def hot_ohm(self) -> float:
        """Resistance at rated voltage."""
        return self.rated_v / self.rated_a

    @property
    def heat_j_per_k(self) -> float:
        """Heat capacity of the wire that gives this resistance and this radiation."""
        radiated_w = (1 - CONDUCTED) * self.rated_v * self.rated_a
        hot_ohm_m = RESISTIVITY_OHM_M * (self.hot_k / COLD_K) ** EXPONENT
        length_by_square = self.hot_ohm * np.pi / (4 * hot_ohm_m)  # l = this times d^2
        thickness_m = (
            radiated_w / (EMISSIVITY * STEFAN_BOLTZMANN * self.hot_k**4 * np.pi * length_by_square)
        ) ** (1 / 3)
        volume = np.pi / 4 * length_by_square * thickness_m**4
        return float(HEAT_J_PER_KG_K * DENSITY * volume)

    def ohm(self, kelvin: Array) -> Array:
        """Resistance at a temperature."""
        return np.asarray(self.hot_ohm * (kelvin / self.hot_k) ** EXPONENT)

    def loss_w(self, kelvin: Array) -> Array:
        """What radiation and conduction take away."""
        rated_w = self.rated_v * self.rated_a
        radiated = (kelvin**4 - COLD_K**4) / (self.hot_k**4 - COLD_K**4)
        conducted = (kelvin - COLD_K) / (self.hot_k - COLD_K)
        return np.asarray(rated_w * ((1 - CONDUCTED) * radiated + CONDUCTED * conducted))

    def cooled_k(self, from_k: float, for_s: float) -> float:
        """Temperature after cooling for a time."""
        since_s = np.interp(-from_k, self._minus_falling_k, self._cooled_s)
        return float(np.interp(since_s + for_s, self._cooled_s, self._falling_k))

    def heated_k(self, from_k: float, for_s: float) -> float:
        """Temperature after a time at rated voltage."""
        if for_s >= HEATS_FOR_S:
            return float(self._heated_k[-1])
        since_s = np.interp(from_k, self._heated_k, self._heated_s)
        return float(np.interp(since_s + for_s, self._heated_s, self._heated_k))

    def conductances(self, from_k: float, heats_s: Array) -> Array:
        """1/R after heating by so many seconds' worth of rated voltage squared."""
        since_s = np.interp(from_k, self._heated_k, self._heated_s)
        places = ((since_s + heats_s) * (1 / STEP_S)).astype(np.intp)
        return self._conductance[np.minimum(places, self._conductance.size - 1)]


def heat_course_s(phase: float, omega: float, times_s: Array) -> Array:
    """Integral of (u/U)^2 from a make at `phase` of an alternating voltage; the time itself for a direct one."""
    if omega == 0.0:
        return times_s
    turned = np.sin(2 * (phase + omega * times_s)) - np.sin(2 * phase)
    return np.asarray(times_s - turned / (2 * omega))
