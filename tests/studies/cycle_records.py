"""Operating cycles of a contact with one thing wrong, from a resistive circuit: records and what else was seen.

Supply, contact and load are in series, each measured by a tap of TAP_OHM. Nothing here knows how the analysis
judges: a cause changes resistances, the supply, or what the drive says. The simulated bench is other code.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact import Criteria, RecordLayout
from orchestrator.analysis.diagnosis import Expected, Seen

Array = NDArray[np.float64]
TAP_OHM = 1e6
OPEN_OHM = 1e9
ARC_V = 13.0
NOISE = 5e-4  # rms of the range
BITS = 16


@dataclass(frozen=True)
class Bench:
    """Supply and load of a bench; `hz` 0 is direct voltage, else sizes are r.m.s."""

    supply_v: float
    hz: float
    rated_a: float
    inrush: float
    layout: RecordLayout
    volts_range: float
    amperes_range: float
    on_s: float = 2.0

    @property
    def criteria(self) -> Criteria:
        return Criteria(8.0, self.rated_a, self.hz)

    @property
    def expected(self) -> Expected:
        return Expected(self.supply_v, 0.9 * self.rated_a, 1.1 * self.rated_a, 1.0)


GATE = Bench(24.0, 0.0, 3.6, 5.0, RecordLayout(300, 200, 20, 80, 50e-6), 40.0, 40.0)
LANTERN = Bench(110.0, 50.0, 0.9, 12.0, RecordLayout(300, 200, 20, 60, 100e-6), 200.0, 40.0)


@dataclass(frozen=True)
class Cycle:
    """What happens in one cycle. Times are from the triggers; `supply` is its size before, on, and after."""

    makes_s: tuple[float, ...]
    opens_s: tuple[float, ...]
    parts_s: float
    arcing_s: float
    supply: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contact_ohm: float = 0.02
    load: float = 1.0  # of its usual conductance
    position_ok: bool = True
    recorded: bool = True
    load_tap: float = 1.0
    phases: tuple[float, float] = (0.0, 0.0)


def good(bench: Bench, drawn: np.random.Generator) -> Cycle:
    """A cycle as it should be: a few bounces, an arc, a supply and a load a little off their nominal values."""
    bounces = int(drawn.integers(0, 4))
    steps = drawn.uniform(0.15e-3, 0.8e-3, 2 * bounces)
    events = drawn.uniform(0.5e-3, 3e-3) + np.concatenate(([0.0], np.cumsum(steps)))
    arcing_s = drawn.uniform(0.1e-3, 1.5e-3) if bench.hz == 0.0 else 0.0
    return Cycle(
        tuple(events[0::2].tolist()),
        tuple(events[1::2].tolist()),
        drawn.uniform(0.3e-3, 1.5e-3),
        arcing_s,
        supply=tuple(drawn.uniform(0.97, 1.03, 3).tolist()),
        contact_ohm=drawn.uniform(5e-3, 30e-3),
        load=drawn.uniform(0.97, 1.03),
        phases=tuple(drawn.uniform(0.0, 1.0, 2).tolist()),
    )


def _never_makes(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return replace(c, makes_s=(), opens_s=())


def _welds(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return replace(c, parts_s=np.inf)


def _is_welded(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return replace(c, makes_s=(-1.0,), opens_s=(), parts_s=np.inf)


def _is_burnt(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    share = drawn.uniform(2.0, 0.75 * bench.supply_v) / bench.supply_v
    return replace(c, contact_ohm=bench.supply_v / bench.rated_a * share / (1.0 - share))


def _loses_its_load(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return replace(c, load=0.0)


def _loses_some_load(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    more = drawn.random() < 0.25
    return replace(c, load=drawn.uniform(1.3, 3.0) if more else drawn.uniform(0.15, 0.8))


def _loses_its_supply(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    left = float(drawn.uniform(0.0, 0.05))
    lost = ((left, left, left), (1.0, left, left), (1.0, 1.0, left), (left, left, 1.0))
    return replace(c, supply=lost[int(drawn.integers(0, 4))])


def _dips(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    left = float(drawn.uniform(0.35, 0.87))
    dips = ((left, left, left), (1.0, left, 1.0), (left, 1.0, 1.0), (1.0, 1.0, left))
    return replace(c, supply=dips[int(drawn.integers(0, 4))])


def _is_not_pressed(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    pressed = drawn.random() < 0.5
    off = replace(c, parts_s=np.inf) if pressed else replace(c, makes_s=(), opens_s=())
    return replace(off, position_ok=False)


def _is_not_seen(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return replace(c, recorded=False) if drawn.random() < 0.5 else replace(c, load=0.0, load_tap=0.0)


def _is_good(bench: Bench, c: Cycle, drawn: np.random.Generator) -> Cycle:
    return c


Cause = Callable[[Bench, Cycle, np.random.Generator], Cycle]
CAUSES: Mapping[str, tuple[Cause, ...]] = {
    "ok": (_is_good,),
    "fail_to_make": (_never_makes,),
    "fail_to_break": (_welds, _is_welded),
    "high_resistance": (_is_burnt,),
    "load_open": (_loses_its_load,),
    "load_partial": (_loses_some_load,),
    "supply_lost": (_loses_its_supply,),
    "supply_dip": (_dips,),
    "actuator": (_is_not_pressed,),
    "not_recorded": (_is_not_seen,),
}


def drawn_cycle(bench: Bench, label: str, drawn: np.random.Generator) -> Cycle:
    """A cycle with the labelled cause and everything else good."""
    causes = CAUSES[label]
    cause = causes[int(drawn.integers(0, len(causes)))]
    return cause(bench, good(bench, drawn), drawn)


def record(bench: Bench, cycle: Cycle, drawn: np.random.Generator) -> tuple[Array, Array]:
    """Contact voltage and current of the make and the break record in one row, as a converter gives them."""
    layout = bench.layout
    make_s = (np.arange(layout.make_samples) - layout.make_pre + drawn.random()) * layout.interval_s
    break_s = (np.arange(layout.break_samples) - layout.break_pre + drawn.random()) * layout.interval_s
    events = sorted([(at, True) for at in cycle.makes_s] + [(at, False) for at in cycle.opens_s])
    closed = np.zeros(layout.make_samples, dtype=np.bool_)
    for at, closes in events:
        closed[make_s >= at] = closes
    made_s = cycle.makes_s[0] if cycle.makes_s else 0.0
    cold = np.exp(-np.maximum(make_s - made_s, 0.0) / 4e-3)
    first = _parts(bench, cycle, make_s, closed, 1.0 + (bench.inrush - 1.0) * cold, 0)
    still = (break_s < cycle.parts_s) & bool(cycle.makes_s)
    second = _parts(bench, cycle, break_s, still, np.ones_like(break_s), 1)
    second = _with_arc(bench, cycle, break_s, second)
    volts, amperes = (np.concatenate(pair) for pair in zip(first, second, strict=True))
    return _converted(volts, bench.volts_range, drawn), _converted(amperes, bench.amperes_range, drawn)


def _parts(
    bench: Bench, cycle: Cycle, t_s: Array, closed: NDArray[np.bool_], inrush: Array, which: int
) -> tuple[Array, Array]:
    """Contact voltage and current of the series circuit, with the taps across contact and load."""
    steady = cycle.supply[1] if which == 0 else cycle.supply[2]
    before = cycle.supply[0] if which == 0 else cycle.supply[1]
    size = np.where(t_s < 0.0, before, steady)
    unit = np.sqrt(2.0) * np.sin(2.0 * np.pi * (bench.hz * t_s + cycle.phases[which])) if bench.hz else 1.0
    emf = bench.supply_v * size * unit
    contact = _beside_tap(np.where(closed, cycle.contact_ohm, OPEN_OHM))
    conductance = cycle.load * bench.rated_a / bench.supply_v * inrush
    load = _beside_tap(1.0 / np.maximum(conductance, 1.0 / OPEN_OHM))
    amperes = emf / (contact + load)
    return amperes * contact, amperes


def _beside_tap(ohm: Array) -> Array:
    return ohm * TAP_OHM / (ohm + TAP_OHM)


def _with_arc(bench: Bench, cycle: Cycle, t_s: Array, parts: tuple[Array, Array]) -> tuple[Array, Array]:
    """A direct current burns on for a while; an alternating one until its next zero."""
    volts, amperes = parts
    through = bench.supply_v * cycle.supply[1] - ARC_V
    if not cycle.makes_s or not np.isfinite(cycle.parts_s) or cycle.load < 0.1 or through <= 0.0:
        return volts, amperes
    ohm = bench.supply_v / (bench.rated_a * cycle.load)
    if bench.hz == 0.0:
        arcing = (t_s >= cycle.parts_s) & (t_s < cycle.parts_s + cycle.arcing_s)
        return np.where(arcing, ARC_V, volts), np.where(arcing, through / ohm, amperes)
    angle = bench.hz * t_s + cycle.phases[1]
    zero = np.ceil(2.0 * (bench.hz * cycle.parts_s + cycle.phases[1])) / 2.0
    arcing = (t_s >= cycle.parts_s) & (angle < zero)
    wave = np.sqrt(2.0) * np.sin(2.0 * np.pi * angle)
    flow = wave * bench.supply_v * cycle.supply[2] / (ohm + cycle.contact_ohm)
    return np.where(arcing, ARC_V * np.sign(wave), volts), np.where(arcing, flow, amperes)


def _converted(values: Array, full_scale: float, drawn: np.random.Generator) -> Array:
    step = 2.0 * full_scale / 2.0**BITS
    seen = values + NOISE * full_scale * drawn.standard_normal(len(values))
    codes = np.clip(np.rint(seen / step), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    return np.asarray(step * codes, dtype=np.float64)


def seen_of(bench: Bench, cycles: list[Cycle]) -> Seen:
    """The header's voltages and what the drive said, one for each cycle."""
    supplies = bench.supply_v * np.array([c.supply for c in cycles])
    return Seen(
        supplies[:, 0],
        supplies[:, 1],
        np.array([_load_on_v(bench, c) for c in cycles]),
        supplies[:, 2],
        np.array([c.position_ok for c in cycles]),
        np.array([c.recorded for c in cycles]),
    )


def _load_on_v(bench: Bench, cycle: Cycle) -> float:
    closed = np.array(bool(cycle.makes_s))
    one = np.array(1.0)
    contact = _beside_tap(np.where(closed, cycle.contact_ohm, OPEN_OHM))
    conductance = cycle.load * bench.rated_a / bench.supply_v * one
    load = _beside_tap(1.0 / np.maximum(conductance, 1.0 / OPEN_OHM))
    return float(cycle.load_tap * bench.supply_v * cycle.supply[1] * load / (contact + load))
