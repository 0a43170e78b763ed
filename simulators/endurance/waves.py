"""Contact voltage and current around a make and around a break, sample by sample, in the recorder's codes.

One half of a record holds what is the same for all mounts (`MakeHalf`, `BreakHalf`); `fill` puts one mount into its two
rows. Times are sample numbers of the half: the first sample at which the contact is closed, or open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulators.endurance.filament import Filament, heat_course_s
from simulators.endurance.loads import (
    ARC_V,
    LEAST_ARC_A,
    Array,
    LoadBuild,
    alternating_current_a,
    direct_arc,
    direct_current_a,
    steady_lag,
)

Row = npt.NDArray[np.float32]
Edges = Sequence[tuple[int, int]]
"""Reopenings after the first make: first open sample, first closed sample."""
BOUNCE_KEEPS = 0.55
"""What is left of a direct current while a bouncing contact arcs."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Codes for one volt and one ampere, and the time between samples."""

    per_v: float
    per_a: float
    interval_s: float


@dataclass(frozen=True, slots=True)
class Circuit:
    """What stands before and behind the contacts for one half of a record.

    `volts` is the supply's (r.m.s. where it alternates) with `ohm` of the load or of the check's resistor behind it;
    no current where `is_open`.
    """

    volts: float
    is_load: bool
    is_open: bool = False
    phase: float = 0.0
    filament_k: float = 0.0


CHECK_OHM = 1000.0


class MakeHalf:
    """From before the make to some time after it."""

    def __init__(
        self,
        circuit: Circuit,
        build: LoadBuild,
        filament: Filament | None,
        scale: Scale,
        samples: int,
        made_at: int,
    ) -> None:
        times_s = (np.arange(samples) + 0.5) * scale.interval_s
        self.samples = samples
        self.ohm = build.ohm if circuit.is_load else CHECK_OHM
        self.alternates = circuit.is_load and build.omega != 0.0
        self.follows_voltage = self.alternates and build.kind in ("resistive", "tungsten")
        phase = circuit.phase + build.omega * made_at * scale.interval_s
        self.arcs = circuit.is_load and not circuit.is_open and circuit.volts > ARC_V
        self.open = _open_codes(circuit, build, scale, samples, self.alternates)
        made = (_made_a(circuit, build, filament, times_s, phase) * scale.per_a).astype(np.float32)
        if self.follows_voltage:  # conductances: the voltage is the same for every mount, their makes are not
            made *= np.float32(1 / scale.per_v)
        self.made = made
        self.made_v = made * np.float32(scale.per_v / scale.per_a)
        """Voltage across a contact of 1 ohm."""
        self.arc = ARC_V * scale.per_v
        self.highest = _highest(self.open, made * (self.open.max() if self.follows_voltage else 1.0))
        self._bounced = (BOUNCE_KEEPS * made).tolist() if self.arcs else [0.0] * samples

    def fill(self, volts: Row, amperes: Row, first: int, reopened: Edges, ohm: float) -> None:
        """One mount: closed from `first` on but for the reopenings."""
        volts[:first] = self.open[:first]
        count = self.samples - first
        if ohm > 0.01 * self.ohm:
            part = self.ohm / (self.ohm + ohm)
            np.multiply(self.made[:count], part, out=amperes[first:])
            ohm *= part
        else:
            amperes[first:] = self.made[:count]
        np.multiply(self.made_v[:count], ohm, out=volts[first:])
        if self.follows_voltage:
            amperes[first:] *= self.open[first:]
            volts[first:] *= self.open[first:]
        if self.alternates or not self.arcs:
            for opens, closes in reopened:
                self._reopen(volts[opens:closes], amperes[opens:closes], self.open[opens:closes])
            return
        for opens, closes in reopened:  # the arc holds a part of the direct current that flowed
            if opens < closes:
                volts[opens:closes] = self.arc
                amperes[opens:closes] = self._bounced[opens - first]

    def _reopen(self, volts: Row, amperes: Row, supply: Row) -> None:
        """Without an arc the current ends; with one an alternating current hardly feels it."""
        if not self.arcs:
            volts[:], amperes[:] = supply, 0.0
            return
        np.minimum(np.abs(supply), self.arc, out=volts)
        np.copysign(volts, supply, out=volts)


class BreakHalf:
    """From before the break to some time after it."""

    def __init__(self, circuit: Circuit, build: LoadBuild, scale: Scale, samples: int) -> None:
        times_s = np.arange(samples) * scale.interval_s
        self.samples = samples
        self.interval_s = scale.interval_s
        self.ohm = build.ohm if circuit.is_load else CHECK_OHM
        self.alternates = circuit.is_load and build.omega != 0.0
        self.phase, self.omega, self.lag = circuit.phase, build.omega, steady_lag(build)
        self.open = _open_codes(circuit, build, scale, samples, self.alternates)
        amperes = 0.0 if circuit.is_open else circuit.volts / self.ohm
        course = np.full(samples, amperes)
        if self.alternates:
            course = math.sqrt(2) * amperes * np.sin(self.phase - self.lag + self.omega * times_s)
        closed = (course * scale.per_a).astype(np.float32)
        self.closed = closed
        self.closed_v = closed * np.float32(scale.per_v / scale.per_a)
        """Voltage across a contact of 1 ohm."""
        self.arcs = circuit.is_load and circuit.volts > ARC_V and amperes > LEAST_ARC_A
        self.arc_code = np.float32(ARC_V * scale.per_v)
        self.highest = _highest(self.open, closed)
        self._scale = scale
        self._direct = direct_arc(build, circuit.volts if circuit.is_load else 0.0, amperes)
        self._arc_samples = self._direct.time_s / scale.interval_s
        self._drawn: dict[int, tuple[Row, Row]] = {}

    def fill(self, volts: Row, amperes: Row, first: int, arc_x: float, ohm: float) -> None:
        """One mount: closed until `first`, then an arc of `arc_x` times the usual length, then open."""
        part = self.ohm / (self.ohm + ohm)
        np.multiply(self.closed[:first], part, out=amperes[:first])
        np.multiply(self.closed_v[:first], ohm * part, out=volts[:first])
        end = first
        if self.arcs and first < self.samples:
            if self.alternates:
                end = self._alternating_arc(volts, amperes, first)
            else:
                end = self._drawn_out(volts, amperes, first, arc_x)
        volts[end:] = self.open[end:]

    def stay_open(self, volts: Row) -> None:
        """One mount that was never closed."""
        volts[:] = self.open

    def arc_samples(self, arc_x: float) -> int:
        """How many samples a direct arc lasts."""
        return int(self._arc_samples * arc_x + 0.5)

    def _drawn_out(self, volts: Row, amperes: Row, first: int, arc_x: float) -> int:
        count = self.arc_samples(arc_x)
        drawn = self._drawn.get(count)
        if drawn is None:
            drawn = self._drawn[count] = self._draw(count)
        end = min(first + count, self.samples)
        volts[first:end] = drawn[0][: end - first]
        amperes[first:end] = drawn[1][: end - first]
        return end

    def _draw(self, count: int) -> tuple[Row, Row]:
        arc = self._direct
        places = (np.arange(count) + 0.5) / max(count, 1) * (arc.current_a.size - 1)
        grid = np.arange(arc.current_a.size)
        drawn_v = np.interp(places, grid, arc.voltage_v) * self._scale.per_v if count else places
        drawn_a = np.interp(places, grid, arc.current_a) * self._scale.per_a if count else places
        return drawn_v.astype(np.float32), drawn_a.astype(np.float32)

    def _alternating_arc(self, volts: Row, amperes: Row, first: int) -> int:
        """An arc at alternating voltage ends with the current's next zero."""
        angle = (self.phase - self.lag + self.omega * first * self.interval_s) % math.pi
        end = min(first + math.ceil((math.pi - angle) / (self.omega * self.interval_s)), self.samples)
        flowing = self.closed[first:end]
        amperes[first:end] = flowing
        np.copysign(self.arc_code, flowing, out=volts[first:end])
        return end


def _highest(*rows: Row) -> float:
    """The largest code of some rows, without sign."""
    return max(float(np.abs(row).max(initial=0.0)) for row in rows)


def _open_codes(circuit: Circuit, build: LoadBuild, scale: Scale, samples: int, alternates: bool) -> Row:
    """The voltage across an open contact."""
    if not alternates:
        return np.full(samples, circuit.volts * scale.per_v, dtype=np.float32)
    angles = circuit.phase + build.omega * scale.interval_s * np.arange(samples)
    return np.asarray(math.sqrt(2) * circuit.volts * scale.per_v * np.sin(angles), dtype=np.float32)


def _made_a(
    circuit: Circuit,
    build: LoadBuild,
    filament: Filament | None,
    times_s: Array,
    phase: float,
) -> Array:
    """Current after a make; conductance in siemens where the current follows the voltage at once."""
    if circuit.is_open:
        return np.zeros(times_s.size)
    if not circuit.is_load:
        return np.full(times_s.size, circuit.volts / CHECK_OHM)
    share = circuit.volts / build.voltage_v
    if filament is not None:
        heats_s = heat_course_s(phase, build.omega, times_s) * share * share
        conductances = filament.conductances(circuit.filament_k, heats_s)
        return conductances if build.omega else conductances * circuit.volts
    if build.omega == 0.0:
        return direct_current_a(build, times_s) * share
    if build.kind == "resistive":
        return np.full(times_s.size, 1 / build.ohm)
    return alternating_current_a(build, phase, times_s) * share
