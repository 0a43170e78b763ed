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

    def state_at(self, now_s: float) -> tuple[StorePath, float]:
        """All that its future depends on: its path and its voltage now, however it came there."""
        return self.path, self.volts(now_s)

    def volts(self, now_s: float) -> float:
        """The voltage at `now_s`."""
        for_s, level_v = now_s - self._from_s, self.path.level_v
        if not self.path.supply_v_per_s:
            return self._bled(for_s)
        fall_s = self._fall_s()
        if for_s < fall_s:
            return self._bled(for_s)
        return min(self._supplied(min(self._from_v, level_v), for_s - fall_s), level_v)

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
        rate, level_v = self.path.supply_v_per_s, self.path.level_v
        if not rate or (self._from_v > level_v and volts >= level_v):
            return self._from_s + self._time_s(self._from_v, volts, 0.0, 0.0)
        if volts > level_v:
            return math.inf
        start_v = min(self._from_v, level_v)
        return self._from_s + self._fall_s() + self._time_s(start_v, volts, rate, rate * self.path.tau_s)

    def _fall_s(self) -> float:
        """How long the store bleeds until it is at the regulator's level; above it the supply gives nothing."""
        if self._from_v <= self.path.level_v:
            return 0.0
        return self._time_s(self._from_v, self.path.level_v, 0.0, 0.0)

    def _bled(self, for_s: float) -> float:
        return self._from_v * math.exp(-for_s / self.path.tau_s)

    def _supplied(self, start_v: float, for_s: float) -> float:
        rate, tau_s = self.path.supply_v_per_s, self.path.tau_s
        if math.isinf(tau_s):
            return start_v + rate * for_s
        return rate * tau_s + (start_v - rate * tau_s) * math.exp(-for_s / tau_s)

    def _time_s(self, start_v: float, volts: float, rate: float, final_v: float) -> float:
        """From one voltage to another on the way to `final_v`; infinity where that way does not lead there."""
        if math.isinf(self.path.tau_s):
            return (volts - start_v) / rate if rate and volts >= start_v else math.inf
        part = (volts - final_v) / (start_v - final_v) if start_v != final_v else 0.0
        return -self.path.tau_s * math.log(part) if 0 < part <= 1 else math.inf
