"""The leakage meter: its own direct voltage, and the current it drives through whatever is connected."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

import numpy as np

from simulators.instrument import ScpiInstrument
from simulators.scpi import Args, Boolean, Command, Identity, Number, OperationBit, Suffixes, boolean, nr3

RANGES_A = (1e-4, 1e-3, 1e-2)
HIGHEST_V = 100.0
OVERLOAD = "9.9E37"
OVER_RANGE = 1.1
NOISE = 2e-5
"""Standard deviation as a part of the range."""


class MeterCircuit(Protocol):
    """What the meter's terminals lead to."""

    def meter_current_a(self, now_s: float) -> float: ...

    def settle(self, now_s: float) -> None:
        """The meter's source changed."""


class Meter(ScpiInstrument):
    """Source voltage, output, range, current."""

    def __init__(
        self,
        live: Callable[[float], None],
        circuit: MeterCircuit,
        identity: Identity,
        rng: np.random.Generator,
    ) -> None:
        self.reads_x = 1.0
        self._circuit = circuit
        self._rng = rng
        self._to_rest()
        super().__init__("meter", live, identity)

    def _to_rest(self) -> None:
        self.source_v = 0.0
        self.output_on = False
        self.range_a = RANGES_A[-1]

    def reset(self, now_s: float) -> None:
        """0 V, off, highest range."""
        self._to_rest()
        self._circuit.settle(now_s)

    def operation_bits(self, now_s: float) -> dict[OperationBit, bool]:
        """It measures when asked; nothing runs by itself."""
        return {}

    def commands(self) -> Iterable[Command]:
        """The meter's own commands."""
        return [
            Command(
                "SOURce:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                set=self._set_voltage,
                query=lambda args, suffixes, now_s: nr3(self.source_v),
                parameters=(Number("V", lowest=0.0, highest=HIGHEST_V, default=0.0),),
            ),
            Command(
                "OUTPut[:STATe]",
                set=self._set_output,
                query=lambda args, suffixes, now_s: boolean(self.output_on),
                parameters=(Boolean(),),
            ),
            Command(
                "SENSe:CURRent[:DC]:RANGe[:UPPer]",
                set=self._set_range,
                query=lambda args, suffixes, now_s: nr3(self.range_a),
                parameters=(Number("A", lowest=0.0, highest=RANGES_A[-1], default=RANGES_A[-1]),),
            ),
            Command("MEASure[:CURRent][:DC]", query=self._measure),
        ]

    def _set_voltage(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.source_v = args[0]
        self._circuit.settle(now_s)

    def _set_output(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.output_on = args[0]
        self._circuit.settle(now_s)

    def _set_range(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.range_a = next(range_a for range_a in RANGES_A if args[0] <= range_a)

    def _measure(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        current_a = self._circuit.meter_current_a(now_s) * self.reads_x
        current_a += float(self._rng.standard_normal()) * NOISE * self.range_a
        return OVERLOAD if abs(current_a) > OVER_RANGE * self.range_a else nr3(current_a, digits=6)
