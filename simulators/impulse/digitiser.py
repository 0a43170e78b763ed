"""Two families of digitiser on one acquisition: a front end with range, noise and rails, 12 bits, pre-trigger.

"status-bit" shows in operation bit 5 that it waits for its trigger; "sample-count" never does and counts samples
instead. They also differ in ranges, byte order and the names of their traces.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulators.impulse.circuit import GRID_S
from simulators.instrument import ScpiInstrument
from simulators.scpi import (
    Args,
    Choice,
    Command,
    Identity,
    Integer,
    Number,
    Operation,
    OperationBit,
    ScpiError,
    Suffixes,
    nr1,
    nr3,
)

Array = npt.NDArray[np.float64]
BITS = 12
LEFT = 16 - BITS
HIGHEST_CODE = (1 << (BITS - 1)) - 1
MOST_POINTS = 1_000_000
SHORTEST_INTERVAL_S = 1e-8


@dataclass(frozen=True, slots=True)
class Family:
    """What one family understands and shows."""

    shows_waiting: bool
    counts_samples: bool
    ranges_v: tuple[float, ...]
    trace: str
    swapped: bool | None
    """Byte order that is fixed (False: big-endian) or, with None, chosen by FORMat:BORDer."""


FAMILIES = {
    "status-bit": Family(True, False, (0.4, 1.0, 2.5, 5.0), "CH", None),
    "sample-count": Family(False, True, (0.5, 1.0, 2.0, 5.0, 10.0), "VOLT", False),
}


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """Errors of the analogue part, each a part of the range but for the gain."""

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 6e-4


class Digitiser(ScpiInstrument):
    """One channel, fed by the bench's probe. `signal` and the trigger line come from a shot."""

    def __init__(
        self,
        name: str,
        live: Callable[[float], None],
        family: Family,
        identity: Identity,
        front_end: FrontEnd,
        rng: np.random.Generator,
    ) -> None:
        self.family = family
        self.front_end = front_end
        self.waiting_bit: bool | None = None
        self.gain_x = 1.0
        self.misses = "no"
        self.stalls = False
        self._rng = rng
        self._to_rest()
        super().__init__(name, live, identity)

    def _to_rest(self) -> None:
        self.range_v = self.family.ranges_v[-1]
        self.points = 10_000
        self.interval_s = SHORTEST_INTERVAL_S
        self.offset_points = 0
        self.source = "EXT"
        self.level_v = 0.0
        self.slope = "POS"
        self.swapped = bool(self.family.swapped)
        self._idle()
        self._codes: npt.NDArray[np.int16] | None = None

    def _idle(self) -> None:
        self._operation: Operation | None = None
        self._since_s = math.inf
        self._triggered = False

    def reset(self, now_s: float) -> None:
        """Highest range, 10 000 points at the shortest interval, no pre-trigger, external trigger, no data."""
        self._to_rest()

    def abort(self, now_s: float) -> None:
        """Give the acquisition up; what it had is gone."""
        self._idle()

    def turn_range(self, volts: float) -> None:
        """The lowest range that holds `volts`. ValueError where none does."""
        fitting = [range_v for range_v in self.family.ranges_v if volts <= range_v]
        if not fitting:
            raise ValueError(f"the highest range is {self.family.ranges_v[-1]:g} V")
        self.range_v = fitting[0]

    # Acquisition
    def is_waiting(self, now_s: float) -> bool:
        """Whether a trigger would be taken now."""
        runs = self._since_s <= now_s and not self._triggered and not self.stalls
        return runs and self.samples_taken(now_s) >= self.pre_trigger()

    def samples_taken(self, now_s: float) -> int:
        """Samples since INITiate; 0 when idle."""
        if self._since_s > now_s:
            return 0
        return math.floor((now_s - self._since_s) / self.interval_s * (1 + 1e-12))

    def pre_trigger(self) -> int:
        """Samples kept from before the trigger."""
        return max(-self.offset_points, 0)

    def line_triggered(self, now_s: float, signal_v: Array | None) -> None:
        """The impulse source fired: what its probe gives from that moment on, None where it is not plugged in."""
        if not self.is_waiting(now_s):
            return
        self.show_status(now_s)
        if self.misses != "no":
            self.misses = "no" if self.misses == "next" else self.misses
            return
        wave_v = np.zeros(1) if signal_v is None else signal_v
        first = 0 if self.source == "EXT" else self._crossing(wave_v)
        if first is not None:
            self._capture(wave_v, first, now_s)

    def _crossing(self, wave_v: Array) -> int | None:
        """The first sample past the level, in the slope's direction; None where there is none."""
        past = wave_v >= self.level_v if self.slope == "POS" else wave_v <= self.level_v
        return int(np.argmax(past)) if past.any() else None

    def _capture(self, wave_v: Array, first: int, now_s: float) -> None:
        self._codes = self._coded(self._sampled(wave_v, first))
        self._triggered = True
        if self._operation is not None:
            self._operation.until_s = now_s + (self.points - self.pre_trigger()) * self.interval_s
            self.replan()

    def _sampled(self, wave_v: Array, first: int) -> Array:
        """The input at each sample, the trigger being at point `first` of the wave; nothing outside the wave."""
        if self.interval_s != GRID_S:
            places_s = first * GRID_S + (np.arange(self.points) - self.pre_trigger()) * self.interval_s
            times_s = np.arange(wave_v.size) * GRID_S
            sampled: Array = np.interp(places_s, times_s, wave_v, left=0.0, right=0.0)
            return sampled
        start = min(self.pre_trigger() - first, self.points)
        held = wave_v[max(-start, 0) :][: self.points - max(start, 0)]
        volts = np.zeros(self.points)
        volts[max(start, 0) : max(start, 0) + held.size] = held
        return volts

    def _coded(self, volts: Array) -> npt.NDArray[np.int16]:
        """What the converter makes of it: gain, offset, noise, rails, left-justified codes."""
        end = self.front_end
        noise = self._rng.standard_normal(volts.size, dtype=np.float32)
        noise *= np.float32(end.noise)
        noise += np.float32(end.offset)
        codes = volts * (end.gain * self.gain_x / self.range_v)
        codes += noise
        codes *= HIGHEST_CODE + 1
        np.rint(codes, out=codes)
        codes.clip(-HIGHEST_CODE - 1, HIGHEST_CODE, out=codes)
        codes *= 1 << LEFT
        return codes.astype(np.int16)

    def _ended(self, now_s: float) -> None:
        self._idle()

    def operation_bits(self, now_s: float) -> dict[OperationBit, bool]:
        """MEASuring while it runs; waiting for trigger in the family that shows it."""
        running = self._since_s <= now_s
        waiting = self.family.shows_waiting and self.is_waiting(now_s)
        if self.waiting_bit is not None:
            waiting = self.waiting_bit
        return {OperationBit.MEASURING: running, OperationBit.WAITING_FOR_TRIGGER: waiting}

    # Commands
    def commands(self) -> Iterable[Command]:
        """The digitiser's own commands."""
        return [*self._sense_commands(), *self._trigger_commands(), *self._data_commands()]

    def _sense_commands(self) -> Iterable[Command]:
        highest_v = self.family.ranges_v[-1]
        return [
            Command(
                "SENSe#:VOLTage[:DC]:RANGe[:UPPer]",
                set=lambda args, suffixes, now_s: self.turn_range(args[0]),
                query=lambda args, suffixes, now_s: nr3(self.range_v),
                parameters=(Number("V", lowest=0.0, highest=highest_v, default=highest_v),),
            ),
            Command(
                "INPut#:COUPling",
                set=lambda args, suffixes, now_s: None,
                query=lambda args, suffixes, now_s: "DC",
                parameters=(Choice("DC"),),
            ),
            Command(
                "SENSe:SWEep:POINts",
                set=self._set_points,
                query=lambda args, suffixes, now_s: nr1(self.points),
                parameters=(Integer(lowest=1, highest=MOST_POINTS, default=10_000),),
            ),
            Command(
                "SENSe:SWEep:TINTerval",
                set=self._set_interval,
                query=lambda args, suffixes, now_s: nr3(self.interval_s),
                parameters=(
                    Number("S", lowest=SHORTEST_INTERVAL_S, highest=1.0, default=SHORTEST_INTERVAL_S),
                ),
            ),
            Command(
                "SENSe:SWEep:OFFSet:POINts",
                set=self._set_offset,
                query=lambda args, suffixes, now_s: nr1(self.offset_points),
                parameters=(Integer(lowest=-MOST_POINTS, highest=0, default=0),),
            ),
        ]

    def _trigger_commands(self) -> Iterable[Command]:
        return [
            Command(
                "TRIGger[:SEQuence]:SOURce",
                set=self._set_source,
                query=lambda args, suffixes, now_s: self.source,
                parameters=(Choice("EXTernal", "INT1", "INTERNAL1"),),
            ),
            Command(
                "TRIGger[:SEQuence]:LEVel",
                set=self._set_level,
                query=lambda args, suffixes, now_s: nr3(self.level_v),
                parameters=(Number("V", lowest=-10.0, highest=10.0, default=0.0),),
            ),
            Command(
                "TRIGger[:SEQuence]:SLOPe",
                set=self._set_slope,
                query=lambda args, suffixes, now_s: self.slope,
                parameters=(Choice("POSitive", "NEGative"),),
            ),
            Command("INITiate[:IMMediate]", set=self._initiate),
        ]

    def _data_commands(self) -> Iterable[Command]:
        trace = f"{self.family.trace}1"
        counted = ("PRETrigger",) if self.family.counts_samples else ()
        return [
            Command(
                "FORMat[:DATA]",
                set=self._set_format,
                query=lambda args, suffixes, now_s: "INT,16",
                parameters=(Choice("INTeger"), Integer(lowest=16, highest=16, names=False, optional=True)),
            ),
            Command(
                "FORMat:BORDer",
                set=self._set_border,
                query=lambda args, suffixes, now_s: "SWAP" if self.swapped else "NORM",
                parameters=(Choice("SWAPped", "NORMal"),),
            ),
            Command("TRACe[:DATA]", query=self._trace, query_parameters=(Choice(trace),)),
            Command("TRACe:POINts", query=self._trace_points, query_parameters=(Choice(trace, *counted),)),
            Command("TRACe:CATalog", query=lambda args, suffixes, now_s: f'"{trace}"'),
        ]

    def _must_be_idle(self) -> None:
        if math.isfinite(self._since_s):
            raise ScpiError(-221, "an acquisition runs")

    def _set_points(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self._must_be_idle()
        self.points = args[0]

    def _set_interval(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self._must_be_idle()
        self.interval_s = args[0]

    def _set_offset(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self._must_be_idle()
        self.offset_points = args[0]

    def _set_source(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.source = "EXT" if args[0] == "EXT" else "INT1"

    def _set_level(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.level_v = args[0]

    def _set_slope(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.slope = args[0]

    def _set_format(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        """There is only one format: 16-bit integers."""

    def _set_border(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        swapped = args[0] == "SWAP"
        if self.family.swapped is not None and swapped != self.family.swapped:
            raise ScpiError(-224, "the byte order is fixed")
        self.swapped = swapped

    def _initiate(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if math.isfinite(self._since_s):
            raise ScpiError(-213)
        if self.pre_trigger() >= self.points:
            raise ScpiError(-221, "the trigger lies behind the last sample")
        self._since_s = now_s
        self._codes = None
        self._operation = self.core.begin_operation(on_end=self._ended)
        self.show_status(now_s)

    def _trace(self, args: Args, suffixes: Suffixes, now_s: float) -> bytes:
        if self._codes is None or math.isfinite(self._since_s):
            raise ScpiError(-230)
        return self._codes.astype("<i2" if self.swapped else ">i2").tobytes()

    def _trace_points(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        if args[0] == "PRET":
            return nr1(self._count(now_s))
        return nr1(0 if self._codes is None or math.isfinite(self._since_s) else self._codes.size)

    def _count(self, now_s: float) -> int:
        taken = 0 if self._triggered else self.samples_taken(now_s)
        return min(taken, self.pre_trigger() // 2) if self.stalls else taken
