"""Contacts that switch at known instants, recorded as a digitiser would record them: references for validation.

Ideal switching in closed form: an exponential inrush, bounces drawn from a seed, arcs of constant voltage, and
the break of direct and alternating current. The references are the instants and sizes that went in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from orchestrator.analysis.reference_waveforms import FULL_SCALE, Recording
from orchestrator.analysis.waveform import Array, Channel, Waveform

SAMPLE_RATE_HZ = 200e3
RECORD_S = 40e-3
FIRST_S = 0.37 / SAMPLE_RATE_HZ  # no sample falls on an event
FIRST_MAKE_S = 8e-3
PARTING_S = 12e-3
LONGEST_TOUCH_S = 0.5e-3
SHORTEST_S = 0.15e-3
CONTACT_RECORDINGS = (
    Recording("as computed", None, 1, 0.0, 0.0),
    Recording("16 bits, negative", 16, -1, 0.0005, 0.0),
    Recording("14 bits, noise 0.2 %", 14, 1, 0.002, 0.0),
    Recording("12 bits, noise 0.5 %, negative", 12, -1, 0.005, 0.0),
)


@dataclass(frozen=True)
class ContactReference:
    """One ideal contact. Times count from the first sample; `hz` 0 is direct voltage, else sizes are r.m.s."""

    name: str
    method: str
    source: str
    hz: float
    supply_v: float
    current_a: float
    inrush: float  # times the steady current
    drop_v: float
    arc_v: float
    bounces: int
    arcing_s: float
    seed: int
    sample_rate_hz: float = SAMPLE_RATE_HZ
    record_s: float = RECORD_S

    @property
    def events_s(self) -> Array:
        """Make, opening, make, opening, ... make: drawn from the seed."""
        rng = np.random.default_rng(self.seed)
        steps = rng.uniform(SHORTEST_S, LONGEST_TOUCH_S, 2 * self.bounces)
        return FIRST_MAKE_S + np.concatenate(([0.0], np.cumsum(steps)))

    @property
    def references(self) -> Mapping[str, float]:
        """The figures that went in, by name."""
        if self.method == "contact-break":
            return {"break_time": PARTING_S + self.arcing_s - FIRST_S, "arcing_time": self.arcing_s}
        return {
            "make_time": FIRST_MAKE_S - FIRST_S,
            "bounce_time": float(self.events_s[-1]) - FIRST_MAKE_S,
            "bounce_count": float(self.bounces),
            "contact_drop": self.drop_v,
        }


REFERENCES = (
    ContactReference(
        "24 V d.c., inrush, bounces that arc",
        "contact-make",
        "ideal contact, 4 reopenings from a seed with arcs of 12 V, exponential inrush of 6 times",
        *(0.0, 24.0, 3.6, 6.0, 0.4, 12.0, 4, 0.0, 7),
    ),
    ContactReference(
        "110 V a.c. 50 Hz, lamp, bounces",
        "contact-make",
        "ideal contact, 3 reopenings from a seed, exponential inrush of 10 times",
        *(50.0, 110.0, 0.9, 10.0, 1.5, 0.0, 3, 0.0, 11),
    ),
    ContactReference(
        "24 V d.c., arc in an inductive load",
        "contact-break",
        "ideal contact, arc of 30 V in which the current falls to zero along a straight line",
        *(0.0, 24.0, 3.6, 1.0, 0.1, 30.0, 0, 4e-3, 0),
    ),
    ContactReference(
        "24 V d.c., arc plateau that is cut",
        "contact-break",
        "ideal contact, arc of 13 V at constant current, cut at once",
        *(0.0, 24.0, 3.6, 1.0, 0.1, 13.0, 0, 2.5e-3, 0),
    ),
    ContactReference(
        "110 V a.c. 60 Hz, arc to the next zero",
        "contact-break",
        "ideal contact, arc of 15 V until the current's next zero",
        *(60.0, 110.0, 0.9, 1.0, 0.2, 15.0, 0, 5e-3, 0),
    ),
)


def recorded_contact(reference: ContactReference, how: Recording, seed: int) -> Waveform:
    """The reference as a record; the same seed gives the same record."""
    count = round(reference.record_s * reference.sample_rate_hz)
    t_s = FIRST_S + np.arange(count) / reference.sample_rate_hz
    shape = _make if reference.method == "contact-make" else _break
    volts, amperes = shape(reference, t_s)
    rng = np.random.default_rng(seed)
    channels = {
        "voltage": _digitised("voltage", "V", volts, reference.supply_v, how, rng),
        "current": _digitised("current", "A", amperes, reference.current_a, how, rng),
    }
    return Waveform(1.0 / reference.sample_rate_hz, FIRST_S, channels)


def _supply(reference: ContactReference, t_s: Array) -> Array:
    """Of size 1; the arc of an alternating break ends on its zero."""
    if reference.hz == 0.0:
        return np.ones_like(t_s)
    zero_s = PARTING_S + reference.arcing_s
    return np.asarray(np.sqrt(2.0) * np.sin(2.0 * np.pi * reference.hz * (t_s - zero_s)))


def _make(reference: ContactReference, t_s: Array) -> tuple[Array, Array]:
    supply, events_s = _supply(reference, t_s), reference.events_s
    passed = np.searchsorted(events_s, t_s, side="right")
    closed, arcing = passed % 2 == 1, (passed > 0) & (passed % 2 == 0) & (reference.arc_v > 0.0)
    rise = np.exp(-np.maximum(t_s - FIRST_MAKE_S, 0.0) / 1.5e-3)
    flow = reference.current_a * supply * (1.0 + (reference.inrush - 1.0) * rise)
    share = 1.0 - reference.arc_v / reference.supply_v
    amperes = np.where(closed, flow, np.where(arcing, share * flow, 0.0))
    apart = np.where(arcing, reference.arc_v * np.sign(supply), reference.supply_v * supply)
    return np.where(closed, reference.drop_v * supply, apart), amperes


def _break(reference: ContactReference, t_s: Array) -> tuple[Array, Array]:
    supply, end_s = _supply(reference, t_s), PARTING_S + reference.arcing_s
    arcing, flow = (t_s >= PARTING_S) & (t_s < end_s), reference.current_a * supply
    falls = reference.hz == 0.0 and reference.arc_v > reference.supply_v
    left = (end_s - t_s) / reference.arcing_s if falls else 1.0
    amperes = np.where(t_s < PARTING_S, flow, np.where(arcing, left * flow, 0.0))
    apart = np.where(arcing, reference.arc_v * np.sign(supply), reference.supply_v * supply)
    return np.where(t_s < PARTING_S, reference.drop_v * supply, apart), amperes


def _digitised(
    name: str, unit: str, values: Array, size: float, how: Recording, rng: np.random.Generator
) -> Channel:
    """Noise is a fraction of `size`; the range holds the largest value and more."""
    seen = how.polarity * values + how.noise_fraction * size * rng.standard_normal(len(values))
    if how.bits is None:
        return Channel(name, unit, seen)
    full_scale = FULL_SCALE * float(np.max(np.abs(values)))
    step = 2.0 * full_scale / 2.0**how.bits
    codes = np.rint(seen / step).astype(np.int16)
    return Channel(name, unit, codes, scale=step, full_scale=(-full_scale, full_scale), bits=how.bits)
