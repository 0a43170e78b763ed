"""The impulse source's front panel and remote interface; the power circuit is the bench's."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from simulators.instrument import ScpiInstrument
from simulators.scpi import (
    Args,
    Boolean,
    Choice,
    Command,
    Identity,
    Number,
    OperationBit,
    ScpiError,
    Suffixes,
    boolean,
    nr3,
)

HIGHEST_V = 2000.0
SETTLED_WITHIN = 0.002
"""Part of the set-point within which charging has settled."""
SAFE_TO_TURN_V = 50.0
"""The polarity relay moves only below this store voltage."""


class PowerCircuit(Protocol):
    """What the source's control acts on."""

    def store_v(self, now_s: float) -> float: ...

    def settle(self, now_s: float) -> None:
        """Something that acts on the store changed."""

    def fire(self, now_s: float, by: str) -> None: ...


class Generator(ScpiInstrument):
    """Set-point, output, polarity, trigger. OUTPut OFF stops charging and closes the internal dump relay."""

    def __init__(self, live: Callable[[float], None], circuit: PowerCircuit, identity: Identity) -> None:
        self._circuit = circuit
        self.read_back_x = 1.0
        self.does_not_fire = False
        self._to_rest()
        super().__init__("generator", live, identity)

    def _to_rest(self) -> None:
        self.set_v = 0.0
        self.output_on = False
        self.polarity = 1
        self.enabled = False

    def reset(self, now_s: float) -> None:
        """0 V, off, trigger inhibited, positive."""
        self._to_rest()
        self._circuit.settle(now_s)

    def abort(self, now_s: float) -> None:
        """Inhibit the trigger."""
        self.enabled = False

    def turn(self, knob: str, value: float, now_s: float) -> None:
        """A person turns something at the front panel: voltage, output or polarity."""
        if knob == "voltage":
            self.set_v = value
        elif knob == "output":
            self.output_on = bool(value)
        else:
            self.polarity = int(value)
        self._circuit.settle(now_s)

    def operation_bits(self, now_s: float) -> dict[OperationBit, bool]:
        """Charging towards the set-point; enabled and waiting."""
        away_v = abs(self._circuit.store_v(now_s) - self.set_v)
        settling = self.output_on and away_v > SETTLED_WITHIN * self.set_v
        return {OperationBit.SETTLING: settling, OperationBit.WAITING_FOR_TRIGGER: self.enabled}

    def commands(self) -> Iterable[Command]:
        """The source's own commands."""
        volts = Number("V", lowest=0.0, highest=HIGHEST_V, default=0.0)
        return [
            Command(
                "SOURce:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                set=self._set_voltage,
                query=lambda args, suffixes, now_s: nr3(self.set_v),
                parameters=(volts,),
            ),
            Command(
                "OUTPut:POLarity",
                set=self._set_polarity,
                query=lambda args, suffixes, now_s: "NORM" if self.polarity > 0 else "INV",
                parameters=(Choice("NORMal", "INVerted"),),
            ),
            Command(
                "OUTPut[:STATe]",
                set=self._set_output,
                query=lambda args, suffixes, now_s: boolean(self.output_on),
                parameters=(Boolean(),),
            ),
            Command("MEASure[:VOLTage][:DC]", query=self._measure),
            Command(
                "TRIGger[:SEQuence]:SOURce",
                set=lambda args, suffixes, now_s: None,
                query=lambda args, suffixes, now_s: "BUS",
                parameters=(Choice("BUS"),),
            ),
            Command("INITiate[:IMMediate]", set=self._enable),
            Command("*TRG", set=self._trigger),
        ]

    def _set_voltage(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.turn("voltage", args[0], now_s)
        self.show_status(now_s)

    def _set_polarity(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        polarity = 1 if args[0] == "NORM" else -1
        if polarity != self.polarity and self._circuit.store_v(now_s) > SAFE_TO_TURN_V:
            raise ScpiError(-221, "the store is charged")
        self.polarity = polarity

    def _set_output(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.turn("output", args[0], now_s)
        self.show_status(now_s)

    def _measure(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        return nr3(self._circuit.store_v(now_s) * self.read_back_x, digits=5)

    def _enable(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if self.enabled:
            raise ScpiError(-213)
        self.enabled = True
        self.show_status(now_s)

    def _trigger(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if not self.enabled:
            raise ScpiError(-211)
        self.enabled = False
        self.show_status(now_s)
        if not self.does_not_fire:
            self._circuit.fire(now_s, "commanded")
