"""How contacts differ from cycle to cycle and age with their operations, prepared in blocks of 256 presses.

Each block's numbers come from a stream of their own (seed, number of the block), so that a press has the same numbers
whatever was asked before it. A specimen's life is Weibull-distributed; with the part of it that is used, contact
resistance, bounce and arcs grow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

BLOCK = 256
MOST_BOUNCES = 6
NOISE_ROWS = 64
"""Records whose noise is prepared; each press has that of one."""
PHASES = 128
"""Phases of an alternating supply at which presses meet it."""
ENDS = ("welds", "stays open")
DROP_GROWS_TO, DROP_GROWS_OVER = 3.0, 2500.0
"""`drop_grows_from`: the drop grows towards so many times its value, with this constant in cycles."""


@dataclass(frozen=True, slots=True)
class SpecimenBuild:
    """A type of specimen: where its contact closes and opens, its force, how it bounces and wears. SI, and mm."""

    mounts: int = 1
    touched_mm: float = 2.0
    closes_mm: float = -5.8
    opens_mm: float = -5.4
    spring_n_per_mm: float = 3.2
    preload_n: float = 3.0
    click_n: float = 4.0
    contact_ohm: float = 0.0165
    bounce_s: float = 2.4e-3
    bounces: float = 2.0
    life_cycles: float = 400_000.0
    life_shape: float = 3.0
    spread_mm: float = 0.03
    jitter_mm: float = 0.015
    kelvin_per_w: float = 60.0
    warms_in_s: float = 240.0

    def force_n(self, at_mm: np.ndarray) -> np.ndarray:
        """Force against the gantry at its true position, pressing: a spring that gives way when the contact clicks."""
        way_mm = self.touched_mm - at_mm
        force = self.preload_n + self.spring_n_per_mm * way_mm
        click = self.click_n * ((at_mm <= self.closes_mm + 0.6) & (at_mm > self.closes_mm))
        return np.asarray(np.where(way_mm > 0, force - click, 0.0))


@dataclass(frozen=True, slots=True)
class Block:
    """256 presses of all mounts, each list by press and then by mount."""

    number: int
    delay_mm: list[list[float]]
    """How much deeper than usual the contact closes."""
    parts_mm: list[list[float]]
    ohm: list[list[float]]
    arc_x: list[list[float]]
    edges_s: list[list[list[float]]]
    """Opens and closes again, in seconds after the first make: MOST_BOUNCES pairs, `counts` of them real."""
    counts: list[list[int]]
    make_phase: list[float]
    break_phase: list[float]
    noise_at: list[int]


class Specimens:
    """The specimens on the mounts: their lives, what has become of them, and the faults set on them."""

    def __init__(self, build: SpecimenBuild, seed: int, rng: np.random.Generator) -> None:
        self.build = build
        self.mounts = build.mounts
        self.fitted = 0
        """How often specimens were fitted."""
        self.bounces_x = 1.0
        self.drop_x = 1.0
        self.drop_grows_from = math.inf
        self._operated = 0
        self._fitted_at = np.zeros(self.mounts, dtype=np.int64)
        """Of all operations, how many there had been when each specimen was fitted."""
        self.all_well = True
        self.welded = [False] * self.mounts
        self.dead = [False] * self.mounts
        self._seed = seed
        self._rng = rng
        self._life = np.zeros(self.mounts)
        self._ends = [0] * self.mounts
        self._offset_mm = np.zeros(self.mounts)
        self._ohm_x = np.ones(self.mounts)
        self._block: Block | None = None
        self.fit(range(self.mounts))

    def fit(self, mounts: range) -> None:
        """New specimens on these mounts, numbered from 0."""
        self.fitted += 1
        for mount in mounts:
            self._fitted_at[mount] = self._operated
            self.welded[mount] = self.dead[mount] = False
            life = self.build.life_cycles * self._rng.weibull(self.build.life_shape)
            self._life[mount] = max(math.ceil(life), 1)
            self._ends[mount] = int(self._rng.integers(len(ENDS)))
            self._offset_mm[mount] = self.build.spread_mm * self._rng.standard_normal()
            self._ohm_x[mount] = math.exp(0.08 * self._rng.standard_normal())
        self.all_well = not any(self._over())
        self.forget()
        self._plan_end()

    def forget(self) -> None:
        """Something changed that the prepared presses do not know yet."""
        self._block = None

    def operated(self) -> list[tuple[int, str]]:
        """One more operation under voltage; the mounts that came to the end of their life with it, and how."""
        self._operated += 1
        self._left -= 1
        if self._left > 0:
            return []
        ended = [
            (mount, ENDS[self._ends[mount]])
            for mount in range(self.mounts)
            if self.operations()[mount] >= self._life[mount] and not (self.welded[mount] or self.dead[mount])
        ]
        for mount, how in ended:
            (self.welded if how == "welds" else self.dead)[mount] = True
        self.all_well = False
        self._plan_end()
        return ended

    def weld(self, mount: int) -> None:
        """Its contact stays closed from now on."""
        self.welded[mount] = True
        self.all_well = False

    def operations(self) -> np.ndarray:
        """Operations under voltage of each specimen."""
        return self._operated - self._fitted_at

    def lives(self) -> list[int]:
        """Operations at which each specimen comes to its end."""
        return [int(life) for life in self._life]

    def row(self, press: int, cycles: int) -> tuple[Block, int]:
        """The numbers of a press, counted from 0, where so many cycles have been counted."""
        number, row = divmod(press, BLOCK)
        if self._block is None or self._block.number != number:
            self._block = self._prepare(number, row, cycles)
        return self._block, row

    def _plan_end(self) -> None:
        ahead = [
            int(life - done)
            for life, done, over in zip(self._life, self.operations(), self._over(), strict=True)
            if not over
        ]
        self._left = min(ahead, default=1 << 60)

    def _over(self) -> list[bool]:
        return [welded or dead for welded, dead in zip(self.welded, self.dead, strict=True)]

    def _prepare(self, number: int, row: int, cycles: int) -> Block:
        rng = np.random.Generator(np.random.PCG64([self._seed, 0x5EED, number]))
        shape = (BLOCK, self.mounts)
        normal = rng.standard_normal((5, *shape))
        ahead = np.arange(BLOCK)[:, None] - row
        used = np.clip((self.operations() + ahead) / self._life, 0.0, 1.5)
        counts, edges_s = self._bounces(rng, normal[2], used)
        grown = 1.0
        if math.isfinite(self.drop_grows_from):
            over = np.clip(cycles + ahead - self.drop_grows_from, 0.0, None)
            grown = 1 + (DROP_GROWS_TO - 1) * -np.expm1(-over / DROP_GROWS_OVER)
        ohm = self.build.contact_ohm * self._ohm_x * (1 + 0.8 * used**2) * np.exp(0.05 * normal[3])
        return Block(
            number,
            (self._offset_mm + self.build.jitter_mm * normal[0]).tolist(),
            (self._offset_mm + self.build.jitter_mm * normal[1]).tolist(),
            (ohm * self.drop_x * grown).tolist(),
            ((1 + 0.3 * used) * np.exp(0.12 * normal[4])).tolist(),
            edges_s.tolist(),
            counts.tolist(),
            (2 * np.pi * rng.integers(PHASES, size=BLOCK) / PHASES).tolist(),
            (2 * np.pi * rng.integers(PHASES, size=BLOCK) / PHASES).tolist(),
            rng.integers(NOISE_ROWS, size=BLOCK).tolist(),
        )

    def _bounces(
        self, rng: np.random.Generator, normal: np.ndarray, used: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """How often each press reopens, and when: jumps that halve, together as long as the bounce time."""
        counts = 1 + rng.poisson(self.build.bounces - 1, normal.shape).clip(0, MOST_BOUNCES - 1)
        total_s = self.build.bounce_s * self.bounces_x * (1 + 0.6 * used) * np.exp(0.16 * normal)
        steps = np.arange(MOST_BOUNCES + 1)
        closes = (1 - 0.55**steps) / (1 - 0.55 ** counts[..., None])
        open_share = 0.45 + 0.3 * rng.random((*normal.shape, MOST_BOUNCES))
        opens = closes[..., 1:] - open_share * np.diff(closes)
        edges = np.stack((opens, closes[..., 1:]), axis=-1).reshape(*normal.shape, 2 * MOST_BOUNCES)
        return counts, edges * total_s[..., None]
