"""A thermocouple at a terminal: the contact's heat warms it with one time constant."""

from __future__ import annotations

import math


class Terminal:
    """Rise above the air, in kelvin, followed in closed form from change to change of the heat."""

    def __init__(self, kelvin_per_w: float, warms_in_s: float) -> None:
        self.attached = True
        self._kelvin_per_w = kelvin_per_w
        self._warms_in_s = warms_in_s
        self._watts = 0.0
        self._rise_k = 0.0
        self._since_s = 0.0

    def heat(self, watts: float, now_s: float) -> None:
        """From now on so much heat."""
        self._rise_k = self.rise_k(now_s)
        self._since_s = now_s
        self._watts = watts

    def rise_k(self, now_s: float) -> float:
        """How much warmer than the air the terminal is."""
        level_k = self._watts * self._kelvin_per_w
        fresh = math.exp(-(now_s - self._since_s) / self._warms_in_s)
        return level_k + (self._rise_k - level_k) * fresh

    def reads_c(self, air_c: float, now_s: float) -> float:
        """What the thermocouple says: the air where it has fallen off."""
        return air_c + self.rise_k(now_s) if self.attached else air_c
