"""Supply, load banks and lamps of the endurance bench: what stands before and behind the contacts at a time."""

from __future__ import annotations

import math

from simulators.endurance.filament import COLD_K, Filament
from simulators.endurance.loads import LoadBuild
from simulators.endurance.waves import CHECK_OHM

CHECK_V = 5.0


class Electrics:
    """The circuit but for the contacts. All mounts' lamps of a bank are taken to be equally warm."""

    def __init__(self, build: LoadBuild) -> None:
        self.build = build
        self.filament = Filament(build.voltage_v, build.current_a) if build.kind == "tungsten" else None
        self.supply_on = True
        self.dip = 1.0
        self.bank = 0
        """The closed bank; 0 for none."""
        self.burnt: dict[tuple[int, int], int] = {}
        """Lamps that are gone, by mount and bank."""
        self._left_k = dict.fromkeys(range(1, build.banks + 1), COLD_K)
        self._left_s = dict.fromkeys(self._left_k, -math.inf)
        self._since_s = math.inf
        """Since when the present bank heats."""

    def load_v(self) -> float:
        """What the supply gives to the load output."""
        return self.build.voltage_v * self.dip if self.supply_on else 0.0

    def lamps_left(self, mount: int) -> float:
        """Part of the bank's current that flows at a mount; 0 with no bank closed."""
        if self.bank == 0:
            return 0.0
        return 1.0 - self.burnt.get((mount, self.bank), 0) / self.build.lamps

    def burn(self, mount: int, bank: int) -> None:
        """One lamp of a bank goes."""
        self.burnt[mount, bank] = min(self.burnt.get((mount, bank), 0) + 1, self.build.lamps)

    def heats(self, on: bool, now_s: float) -> None:
        """Current flows through the present bank's lamps from now on, or no longer."""
        if self.filament is None or self.bank == 0 or on == math.isfinite(self._since_s):
            return
        if on:
            self._left_k[self.bank] = self.cold_k(now_s)
            self._since_s = now_s
        else:
            hot_k = self.filament.heated_k(self._left_k[self.bank], now_s - self._since_s)
            self._left_k[self.bank], self._left_s[self.bank] = hot_k, now_s
            self._since_s = math.inf

    def cold_k(self, now_s: float) -> float:
        """How warm the present bank's lamps are before a make."""
        if self.filament is None or self.bank == 0:
            return COLD_K
        if math.isfinite(self._since_s):
            return self.filament.heated_k(self._left_k[self.bank], now_s - self._since_s)
        if math.isinf(self._left_s[self.bank]):
            return self._left_k[self.bank]
        return self.filament.cooled_k(self._left_k[self.bank], now_s - self._left_s[self.bank])

    def choose(self, bank: int, now_s: float) -> None:
        """Close one bank and open the others; 0 opens all."""
        self.heats(False, now_s)
        self.bank = bank


def steady_a(build: LoadBuild, volts: float, is_load: bool, ohm: float) -> float:
    """Current through one closed contact of some resistance."""
    return volts / ((build.ohm if is_load else CHECK_OHM) + ohm)
