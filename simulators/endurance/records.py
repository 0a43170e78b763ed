"""From a press of the specimens to the codes of its record."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from simulators.endurance.electrics import Electrics
from simulators.endurance.press import ALWAYS_CLOSED, NO_BREAK, NO_MAKE, Press
from simulators.endurance.waves import CHECK_OHM, BreakHalf, Circuit, MakeHalf, Scale
from simulators.endurance.wear import NOISE_ROWS

FULL_SCALE = 32768
NOISE_CODES = 0.8
HIGHEST_SURE = 0.99 * FULL_SCALE
"""Codes below this cannot come to the rails by noise."""
KEPT_HALVES = 600
KELVIN_STEP = 5.0
FAR = 1e6
CODE = np.dtype("<i2")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a cycle is recorded."""

    mounts: int = 1
    make_samples: int = 300
    break_samples: int = 200
    make_pre: int = 20
    break_pre: int = 80
    volts: float = 40.0
    amperes: float = 40.0
    interval_s: float = 5e-5

    @property
    def samples(self) -> int:
        """Of make and break together."""
        return self.make_samples + self.break_samples

    def numbers(self) -> tuple[int, int, int, int, int]:
        """As CONFigure:CONTact has them."""
        return self.mounts, self.make_samples, self.break_samples, self.make_pre, self.break_pre

    def with_numbers(self, mounts: int, make: int, breaks: int, make_pre: int, break_pre: int) -> Layout:
        """Another configuration."""
        return Layout(mounts, make, breaks, make_pre, break_pre, self.volts, self.amperes, self.interval_s)

    def with_value(self, name: str, value: float) -> Layout:
        """Another range or interval."""
        return replace(self, **{name: value})  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """Errors of the inputs: gains, and offsets in codes."""

    volts_x: float = 1.0
    amperes_x: float = 1.0
    volts_offset: float = 0.0
    amperes_offset: float = 0.0


class Codes:
    """Makes records. The same press and layout give the same codes, whenever they are asked for."""

    def __init__(self, electrics: Electrics, front_end: FrontEnd, rng: np.random.Generator) -> None:
        self._electrics = electrics
        self._front_end = front_end
        self._alternates = electrics.build.omega != 0.0
        self._seeds = rng.integers(1 << 32, size=2).tolist()
        self._layout: Layout | None = None
        self._scale = Scale(1.0, 1.0, 1.0)
        self._noise = np.zeros((0, 2, 0), dtype=np.float32)
        self._makes: dict[tuple[object, ...], MakeHalf] = {}
        self._breaks: dict[tuple[object, ...], BreakHalf] = {}

    def of(self, press: Press, layout: Layout) -> tuple[bytes, bool]:
        """int16 codes (mounts, 2, samples), little endian, and whether one is at a rail."""
        if layout is not self._layout:
            self._prepare(layout)
        make, opening = self._make_half(press, layout), self._break_half(press, layout)
        codes = np.zeros((layout.mounts, 2, layout.samples), dtype=np.float32)
        self._fill(codes, press, layout, make, opening)
        at = press.block.noise_at[press.row]
        codes += self._noise[at : at + layout.mounts]
        np.rint(codes, out=codes)
        overload = False
        if make.highest > HIGHEST_SURE or opening.highest > HIGHEST_SURE:
            overload = bool(codes.max() >= FULL_SCALE - 1 or codes.min() <= -FULL_SCALE)
            np.clip(codes, -FULL_SCALE, FULL_SCALE - 1, out=codes)
        return codes.astype(CODE).tobytes(), overload

    def levels(self, press: Press, layout: Layout) -> tuple[int, int, int, int]:
        """Codes of the supply before the make, while on, of the load while on, and of the supply after.

        The load's is the highest of all mounts.
        """
        volts, is_load = self._on(press)
        flows = press.bank > 0 or not is_load
        behind_ohm = self._electrics.build.ohm if is_load else CHECK_OHM
        amperes_sum, least_drop_v = 0.0, math.inf
        for mount, ohm in enumerate(press.block.ohm[press.row]):
            if self._is_closed(press, mount):
                share = press.shares[mount] if press.shares is not None and is_load else 1.0
                amperes = share * volts / (behind_ohm + ohm) if flows else 0.0
                amperes_sum += amperes
                least_drop_v = min(least_drop_v, amperes * ohm)
        on_v = volts - self._electrics.build.source_ohm * amperes_sum if is_load else volts
        load_v = on_v - least_drop_v if least_drop_v < math.inf else 0.0
        per_v = FULL_SCALE / layout.volts * self._front_end.volts_x
        return (
            _code(press.make_volts * per_v),
            _code(on_v * per_v),
            _code(load_v * per_v),
            _code(press.after_volts * per_v),
        )

    def _on(self, press: Press) -> tuple[float, bool]:
        """Voltage and kind of the source while on: at the break, or at the make where there was none yet."""
        if press.break_trigger_s < math.inf:
            return press.break_volts, press.break_is_load
        return press.make_volts, press.make_is_load

    def _is_closed(self, press: Press, mount: int) -> bool:
        if press.outcome is None:
            return press.closed_s < math.inf
        outcome = press.outcome[mount]
        return outcome == ALWAYS_CLOSED or (outcome != NO_MAKE and press.closed_s < math.inf)

    def _prepare(self, layout: Layout) -> None:
        self._layout = layout
        end = self._front_end
        self._scale = Scale(
            FULL_SCALE / layout.volts * end.volts_x,
            FULL_SCALE / layout.amperes * end.amperes_x,
            layout.interval_s,
        )
        rng = np.random.Generator(np.random.PCG64([*self._seeds, layout.samples]))
        noise = rng.standard_normal((NOISE_ROWS + layout.mounts, 2, layout.samples), dtype=np.float32)
        noise *= np.float32(NOISE_CODES)
        noise += np.array([[end.volts_offset], [end.amperes_offset]], dtype=np.float32)
        self._noise = noise
        self._makes.clear()
        self._breaks.clear()

    def _fill(
        self, codes: np.ndarray, press: Press, layout: Layout, make: MakeHalf, opening: BreakHalf
    ) -> None:
        split, per_s = layout.make_samples, 1 / layout.interval_s
        block, row = press.block, press.row
        nominal = _sample((press.closed_s - press.make_trigger_s) * per_s + layout.make_pre)
        parting = _sample((press.opened_s - press.break_trigger_s) * per_s + layout.break_pre)
        closing, parts = per_s / press.closing_mm_s, per_s / press.opening_mm_s
        delay_mm, parts_mm, ohm, arc_x = (
            block.delay_mm[row],
            block.parts_mm[row],
            block.ohm[row],
            block.arc_x[row],
        )
        counts, edges_s = block.counts[row], block.edges_s[row]
        for mount in range(min(len(ohm), layout.mounts)):
            volts, amperes = codes[mount, 0], codes[mount, 1]
            first = int(nominal + delay_mm[mount] * closing) + 1
            part = int(parting + parts_mm[mount] * parts) + 1
            if press.outcome is not None:
                first, part = _as_it_went(press.outcome[mount], first, part, split, opening.samples)
            first = first if 0 < first < split else 0 if first <= 0 else split
            part = part if 0 < part < opening.samples else 0 if part <= 0 else opening.samples
            if first == 0:
                hold = self._steady_half(press, layout)
                hold.fill(volts[:split], amperes[:split], split, 1.0, ohm[mount])
            else:
                edges = _edges(edges_s[mount], counts[mount], first, split, per_s) if first < split else ()
                make.fill(volts[:split], amperes[:split], first, edges, ohm[mount])
            if self._is_closed(press, mount):
                opening.fill(volts[split:], amperes[split:], part, arc_x[mount], ohm[mount])
            else:
                opening.stay_open(volts[split:])
            if press.shares is not None and press.make_is_load and press.shares[mount] < 1.0:
                amperes *= np.float32(press.shares[mount])

    def _make_half(self, press: Press, layout: Layout) -> MakeHalf:
        behind_s = press.closed_s - press.make_trigger_s
        made_at = math.ceil(_sample(behind_s / layout.interval_s + layout.make_pre))
        made_at = min(max(made_at, 0), layout.make_samples)
        kelvin = KELVIN_STEP * round(press.filament_k / KELVIN_STEP)
        volts, is_load = press.make_volts * press.dip, press.make_is_load
        phase = press.block.make_phase[press.row] if self._alternates and is_load else 0.0
        key = (volts, is_load, press.bank > 0, phase, kelvin, made_at)
        half = self._makes.get(key)
        if half is None:
            circuit = Circuit(volts, is_load, is_load and press.bank == 0, phase, kelvin)
            build, filament = self._electrics.build, self._electrics.filament
            half = MakeHalf(circuit, build, filament, self._scale, layout.make_samples, made_at)
            _keep(self._makes, key, half)
        return half

    def _break_half(self, press: Press, layout: Layout) -> BreakHalf:
        volts, is_load = self._on(press)
        phase = press.block.break_phase[press.row] if self._alternates and is_load else 0.0
        return self._half(press, volts, is_load, phase, layout.break_samples)

    def _steady_half(self, press: Press, layout: Layout) -> BreakHalf:
        """For a contact that was closed before its record began: its inrush is long over."""
        is_load = press.make_is_load
        phase = press.block.make_phase[press.row] if self._alternates and is_load else 0.0
        return self._half(press, press.make_volts * press.dip, is_load, phase, layout.make_samples)

    def _half(self, press: Press, volts: float, is_load: bool, phase: float, samples: int) -> BreakHalf:
        key = (volts, is_load, press.bank > 0, phase, samples)
        half = self._breaks.get(key)
        if half is None:
            circuit = Circuit(volts, is_load, is_load and press.bank == 0, phase)
            half = BreakHalf(circuit, self._electrics.build, self._scale, samples)
            _keep(self._breaks, key, half)
        return half


def _as_it_went(
    outcome: int, first: int, part: int, make_samples: int, break_samples: int
) -> tuple[int, int]:
    """First closed and first open sample of a mount that did not fare well."""
    if outcome == ALWAYS_CLOSED:
        return 0, break_samples
    if outcome == NO_MAKE:
        return make_samples, 0
    return first, break_samples if outcome == NO_BREAK else part


def _edges(edges_s: list[float], count: int, first: int, split: int, per_s: float) -> list[tuple[int, int]]:
    """Reopenings in samples, as far as the record goes."""
    places = [first + int(edge_s * per_s + 0.5) for edge_s in edges_s[: 2 * count]]
    if places[-1] > split:
        places = [min(place, split) for place in places]
    return list(zip(places[::2], places[1::2], strict=True))


def _sample(place: float) -> float:
    """A place in a record, within a little more than any record; far behind it what has not happened."""
    if -FAR < place < FAR:
        return place
    return -FAR if place < 0 else FAR


def _code(code: float) -> int:
    return max(min(round(code), FULL_SCALE - 1), -FULL_SCALE)


def _keep(store: dict[tuple[object, ...], T], key: tuple[object, ...], half: T) -> None:
    if len(store) >= KEPT_HALVES:
        store.clear()
    store[key] = half
