"""The generator's energy store: its voltage between shots, in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StorePath:
    """What acts on the store: the supply's current as volts per second, the regulator's level, the bleeding."""

    supply_v_per_s: float = 0.0
    level_v: float = 0.0
    tau_s: float = math.inf


class Store:
    """Voltage of the store (magnitude, in volts), followed from change to change.

    Between changes dv/dt = supply - v / tau, and the regulator holds `level_v` once it is reached from either side.
    """

    def __init__(self) -> None:
        self.path = StorePath()
        self._from_s = 0.0
        self._from_v = 0.0

    def volts(self, now_s: float) -> float:
        """The voltage at `now_s`."""
        free_v = self._free(now_s - self._from_s)
        if not self.path.supply_v_per_s or self._final_v() < self.path.level_v:
            return free_v
        below = self._from_v <= self.path.level_v
        return min(free_v, self.path.level_v) if below else max(self._fallen(now_s), self.path.level_v)

    def follow(self, path: StorePath, now_s: float) -> None:
        """Something that acts on the store changed."""
        if path != self.path:
            self.put(self.volts(now_s), now_s)
            self.path = path

    def put(self, volts: float, now_s: float) -> None:
        """The store has this voltage now (after a shot)."""
        self._from_v = volts
        self._from_s = now_s

    def reaches_s(self, volts: float) -> float:
        """When the voltage next is at `volts`, as things stand; infinity where it never is. May lie in the past."""
        if self.path.supply_v_per_s and self._from_v > self.path.level_v <= self._final_v():
            return self._time_to(volts, 0.0) if volts >= self.path.level_v else math.inf
        if self.path.supply_v_per_s and volts > max(self.path.level_v, self._from_v):
            return math.inf
        return self._time_to(volts, self._final_v())

    def _final_v(self) -> float:
        """Where the voltage would go without a regulator."""
        rate, tau_s = self.path.supply_v_per_s, self.path.tau_s
        return (math.inf if math.isinf(tau_s) else rate * tau_s) if rate else 0.0

    def _free(self, for_s: float) -> float:
        rate, tau_s = self.path.supply_v_per_s, self.path.tau_s
        if math.isinf(tau_s):
            return self._from_v + rate * for_s
        final_v = rate * tau_s
        return final_v + (self._from_v - final_v) * math.exp(-for_s / tau_s)

    def _fallen(self, now_s: float) -> float:
        """Above its level the regulator gives nothing: the store only bleeds."""
        tau_s = self.path.tau_s
        return (
            self._from_v * math.exp(-(now_s - self._from_s) / tau_s) if math.isfinite(tau_s) else self._from_v
        )

    def _time_to(self, volts: float, final_v: float) -> float:
        rate, tau_s = self.path.supply_v_per_s, self.path.tau_s
        if math.isinf(tau_s):
            ahead_v = volts - self._from_v
            return self._from_s + ahead_v / rate if rate and ahead_v >= 0 else math.inf
        part = (volts - final_v) / (self._from_v - final_v) if self._from_v != final_v else 0.0
        return self._from_s - tau_s * math.log(part) if 0 < part <= 1 else math.inf
