"""Records of a contact for the tests: closed forms of ideal switching with inrush, bounces, arcs and noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.waveform import Accuracy, Array, Channel, Waveform

ACCURACY = Accuracy(0.002, 0.0002, 50e-6)


@dataclass(frozen=True)
class Circuit:
    """A supply (`hz` 0: direct), a load's steady current, its inrush over that and its decay, a contact's drop.

    Alternating voltages and currents are r.m.s.; `zero_s` is a rising zero of the supply.
    """

    supply_v: float = 24.0
    hz: float = 0.0
    current_a: float = 3.6
    inrush: float = 1.0
    decay_s: float = 5e-3
    drop_v: float = 0.08
    arc_v: float = 0.0
    zero_s: float = 0.0

    def unit(self, t_s: Array) -> Array:
        if not self.hz:
            return np.ones_like(t_s)
        return np.asarray(np.sqrt(2.0) * np.sin(2.0 * np.pi * self.hz * (t_s - self.zero_s)))


def make_record(
    t_s: Array, circuit: Circuit, makes_s: Sequence[float], opens_s: Sequence[float] = ()
) -> tuple[Array, Array]:
    """Voltage and current; the contact closes at each of `makes_s` and opens at each of `opens_s` between.

    With an arc voltage the contact burns while it is open between two makes.
    """
    events = sorted([(at, True) for at in makes_s] + [(at, False) for at in opens_s])
    closed = np.zeros(len(t_s), dtype=bool)
    for at, closes in events:
        closed[t_s >= at] = closes
    unit = circuit.unit(t_s)
    inrush = 1.0 + (circuit.inrush - 1.0) * np.exp(-np.maximum(t_s - makes_s[0], 0.0) / circuit.decay_s)
    between = (t_s >= makes_s[0]) & ~closed
    burns = between & (circuit.arc_v > 0.0)
    carried = np.where(closed, 1.0, np.where(burns, 1.0 - circuit.arc_v / circuit.supply_v, 0.0))
    amperes = circuit.current_a * unit * carried * inrush
    high = np.where(burns, circuit.arc_v * np.sign(unit), circuit.supply_v * unit)
    return np.where(closed, circuit.drop_v * unit * inrush, high), amperes


def break_record(
    t_s: Array, circuit: Circuit, parts_s: float, ends_s: float, falls: bool = False
) -> tuple[Array, Array]:
    """Voltage and current; an arc burns from parting to `ends_s`, the current falling to zero if `falls`."""
    unit = circuit.unit(t_s)
    arcing = (t_s >= parts_s) & (t_s < ends_s)
    falling = np.clip((ends_s - t_s) / max(ends_s - parts_s, 1e-12), 0.0, 1.0) if falls else 1.0
    amperes = circuit.current_a * unit * np.where(t_s < parts_s, 1.0, np.where(arcing, falling, 0.0))
    volts = np.where(arcing, circuit.arc_v * np.sign(unit), circuit.supply_v * unit)
    return np.where(t_s < parts_s, circuit.drop_v * unit, volts), amperes


def times_s(rate_hz: float, length_s: float, phase: float = 0.0) -> Array:
    return np.asarray((np.arange(round(rate_hz * length_s)) + phase) / rate_hz)


def waveform(
    volts: Array,
    amperes: Array,
    interval_s: float,
    noise: tuple[float, float] = (0.0, 0.0),
    seed: int = 0,
    sign: float = 1.0,
    accuracy: Accuracy | None = ACCURACY,
    bits: int | None = None,
    ranges: tuple[float, float] = (40.0, 40.0),
) -> Waveform:
    """`noise` is the rms in V and A; with `bits` the channels are codes over +-`ranges`."""
    rng = np.random.default_rng(seed)
    channels = {}
    for name, unit, values, spread, full in zip(
        ("voltage", "current"), "VA", (volts, amperes), noise, ranges, strict=True
    ):
        seen = sign * (values + spread * rng.standard_normal(len(values)))
        if bits is None:
            channels[name] = Channel(name, unit, seen, accuracy=accuracy)
            continue
        step = 2.0 * full / 2.0**bits
        codes = np.clip(np.rint(seen / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype(np.int16)
        channels[name] = Channel(name, unit, codes, step, 0.0, (-full, full), bits, accuracy)
    return Waveform(interval_s, 0.0, channels)
