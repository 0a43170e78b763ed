"""Thermocouples at the two terminals of the first mount: the contact's heat warms them with one time constant."""

from __future__ import annotations

import math

SHARES = (1.0, 0.9)
"""How much of the heat each terminal gets to feel."""


class Terminals:
    """Rise above the air, in kelvin, followed in closed form from change to change of the heat."""

    def __init__(self, kelvin_per_w: float, warms_in_s: float) -> None:
        self.attached = True
        """Whether the first thermocouple is where it belongs."""
        self._kelvin_per_w = kelvin_per_w
        self._warms_in_s = warms_in_s
        self._watts = 0.0
        self._rise_k = 0.0
        self._since_s = 0.0

    def heat(self, watts: float, now_s: float) -> None:
        """From now on so much heat."""
        if watts != self._watts:
            self._rise_k = self._common_k(now_s)
            self._since_s = now_s
            self._watts = watts

    def rise_k(self, terminal: int, now_s: float) -> float:
        """How much warmer than the air a terminal is, counted from 0."""
        return SHARES[terminal] * self._common_k(now_s)

    def reads_c(self, terminal: int, air_c: float, now_s: float) -> float:
        """What a thermocouple says: the air where it has fallen off."""
        is_there = self.attached or terminal > 0
        return air_c + self.rise_k(terminal, now_s) if is_there else air_c

    def _common_k(self, now_s: float) -> float:
        level_k = self._watts * self._kelvin_per_w
        fresh = math.exp(-(now_s - self._since_s) / self._warms_in_s)
        return level_k + (self._rise_k - level_k) * fresh
