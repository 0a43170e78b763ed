"""From a press of the specimens to the codes of its record."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from simulators.endurance.electrics import Electrics, steady_a
from simulators.endurance.press import ALWAYS_CLOSED, NO_BREAK, NO_MAKE, Press
from simulators.endurance.waves import BreakHalf, Circuit, MakeHalf, Scale

FULL_SCALE = 32768
NOISE_CODES = 0.8
NOISE_TABLE = 1 << 18
KEPT_HALVES = 600
KELVIN_STEP = 5.0

T = TypeVar("T")
Half = TypeVar("Half", MakeHalf, BreakHalf)


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
        self._noise = (NOISE_CODES * rng.standard_normal(NOISE_TABLE)).astype(np.float32)
        self._offsets = np.array([[front_end.volts_offset], [front_end.amperes_offset]], dtype=np.float32)
        self._layout: Layout | None = None
        self._scale = Scale(1.0, 1.0, 1.0)
        self._makes: dict[tuple[Circuit, int], MakeHalf] = {}
        self._breaks: dict[Circuit, BreakHalf] = {}

    def of(self, press: Press, layout: Layout) -> tuple[bytes, bool]:
        """int16 codes (mounts, 2, samples), little endian, and whether one is at a rail."""
        if layout is not self._layout:
            self._prepare(layout)
        codes = np.zeros((layout.mounts, 2, layout.samples), dtype=np.float32)
        self._fill(codes, press, layout)
        size = codes.size
        at = (press.block.noise_at[press.row] * 7919) % (NOISE_TABLE - size + 1)
        codes += self._noise[at : at + size].reshape(codes.shape)
        codes += self._offsets
        np.rint(codes, out=codes)
        overload = bool(codes.max() >= FULL_SCALE - 1 or codes.min() <= -FULL_SCALE)
        if overload:
            np.clip(codes, -FULL_SCALE, FULL_SCALE - 1, out=codes)
        return codes.astype("<i2").tobytes(), overload

    def levels(self, press: Press, layout: Layout) -> tuple[int, int, int, int]:
        """Codes of the supply before the make, while on, of the load while on, and of the supply after."""
        build, electrics = self._electrics.build, self._electrics
        shares = press.shares or (1.0,) * len(press.outcome)
        flows = press.break_is_load and press.bank > 0
        ohms = press.block.ohm[press.row]
        volts = press.break_volts if press.break_trigger_s < math.inf else press.make_volts
        amperes = [
            share * steady_a(build, volts, True, ohm) if flows and one != NO_MAKE else 0.0
            for share, ohm, one in zip(shares, ohms, press.outcome, strict=True)
        ]
        on_v = volts - electrics.build.source_ohm * sum(amperes) if press.break_is_load else volts
        closed = [one != NO_MAKE and press.closed_s < math.inf for one in press.outcome]
        load_v = max(
            (on_v - amps * ohm for amps, ohm, one in zip(amperes, ohms, closed, strict=True) if one),
            default=0.0,
        )
        per_v = FULL_SCALE / layout.volts * self._front_end.volts_x
        return tuple(  # type: ignore[return-value]
            max(min(round(value * per_v), FULL_SCALE - 1), -FULL_SCALE)
            for value in (press.make_volts, on_v, load_v, press.after_volts)
        )

    def _prepare(self, layout: Layout) -> None:
        self._layout = layout
        end = self._front_end
        self._scale = Scale(
            FULL_SCALE / layout.volts * end.volts_x,
            FULL_SCALE / layout.amperes * end.amperes_x,
            layout.interval_s,
        )
        self._makes.clear()
        self._breaks.clear()

    def _fill(self, codes: np.ndarray, press: Press, layout: Layout) -> None:
        make, opening = self._make_half(press, layout), self._break_half(press, layout)
        split, per_s = layout.make_samples, 1 / layout.interval_s
        block, row = press.block, press.row
        nominal = self._sample(press.closed_s - press.make_trigger_s, layout.make_pre, layout)
        parting = self._sample(press.opened_s - press.break_trigger_s, layout.break_pre, layout)
        rows = zip(
            press.outcome,
            block.delay_mm[row],
            block.parts_mm[row],
            block.ohm[row],
            block.arc_x[row],
            strict=True,
        )
        for mount, (outcome, delay_mm, parts_mm, ohm, arc_x) in enumerate(rows):
            if mount >= layout.mounts:
                break
            volts, amperes = codes[mount]
            first = math.ceil(nominal + delay_mm / press.closing_mm_s * per_s)
            part = math.ceil(parting + parts_mm / press.opening_mm_s * per_s)
            if outcome:
                first = 0 if outcome == ALWAYS_CLOSED else split if outcome == NO_MAKE else first
                part = opening.samples if outcome in (NO_BREAK, ALWAYS_CLOSED) else 0
            first, part = min(max(first, 0), split), min(max(part, 0), opening.samples)
            make.fill(
                volts[:split], amperes[:split], first, self._edges(press, mount, first, split, per_s), ohm
            )
            if outcome == NO_MAKE or (press.closed_s == math.inf and outcome != ALWAYS_CLOSED):
                opening.stay_open(volts[split:])
            else:
                opening.fill(volts[split:], amperes[split:], part, arc_x, ohm)
            if press.shares is not None and press.make_is_load and press.shares[mount] < 1.0:
                amperes *= np.float32(press.shares[mount])

    def _sample(self, behind_s: float, pre: int, layout: Layout) -> float:
        """Sample of an instant so long behind the trigger, within a little more than any record."""
        return min(max(pre + behind_s / layout.interval_s, -1e6), 1e6) if not math.isnan(behind_s) else 1e6

    def _edges(self, press: Press, mount: int, first: int, split: int, per_s: float) -> list[tuple[int, int]]:
        if not 0 < first < split:
            return []
        edges_s = press.block.edges_s[press.row][mount]
        return [
            (
                min(first + round(edges_s[at] * per_s), split),
                min(first + round(edges_s[at + 1] * per_s), split),
            )
            for at in range(0, 2 * press.block.counts[press.row][mount], 2)
        ]

    def _make_half(self, press: Press, layout: Layout) -> MakeHalf:
        behind_s = press.closed_s - press.make_trigger_s
        made_at = min(max(math.ceil(self._sample(behind_s, layout.make_pre, layout)), 0), layout.make_samples)
        kelvin = KELVIN_STEP * round(press.filament_k / KELVIN_STEP)
        phase = press.block.make_phase[press.row]
        circuit = self._circuit(press, press.make_volts * press.dip, press.make_is_load, phase, kelvin)
        return _kept(
            self._makes,
            (circuit, made_at),
            lambda: MakeHalf(
                circuit,
                self._electrics.build,
                self._electrics.filament,
                self._scale,
                layout.make_samples,
                made_at,
            ),
        )

    def _break_half(self, press: Press, layout: Layout) -> BreakHalf:
        phase = press.block.break_phase[press.row]
        whole = press.break_trigger_s < math.inf
        volts = press.break_volts if whole else press.make_volts
        is_load = press.break_is_load if whole else press.make_is_load
        circuit = self._circuit(press, volts, is_load, phase, 0.0)
        return _kept(
            self._breaks,
            circuit,
            lambda: BreakHalf(circuit, self._electrics.build, self._scale, layout.break_samples),
        )

    def _circuit(self, press: Press, volts: float, is_load: bool, phase: float, kelvin: float) -> Circuit:
        alternates = is_load and self._electrics.build.omega != 0.0
        return Circuit(volts, is_load, is_load and press.bank == 0, phase if alternates else 0.0, kelvin)


def _kept(store: dict[T, Half], key: T, make: Callable[[], Half]) -> Half:
    half = store.get(key)
    if half is None:
        if len(store) >= KEPT_HALVES:
            store.clear()
        half = store[key] = make()
    return half
