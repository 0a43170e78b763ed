"""One press of the specimens, from its make to its break: what a record of it is made from."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.endurance.wear import Block

WELL, NO_MAKE, NO_BREAK, ALWAYS_CLOSED = 0, 1, 2, 3


@dataclass(slots=True)
class Press:
    """Times are the bench's; infinite while a thing has not happened, minus infinity where it had happened before.

    `volts` and `is_load` are those of the source before the contacts, at the make and at the break. `outcome` has one
    of WELL, NO_MAKE and NO_BREAK for each mount.
    """

    block: Block
    row: int
    outcome: list[int]
    record: int = 0
    bank: int = 0
    make_trigger_s: float = math.inf
    break_trigger_s: float = math.inf
    closed_s: float = math.inf
    opened_s: float = math.inf
    closing_mm_s: float = 1.0
    opening_mm_s: float = 1.0
    make_volts: float = 0.0
    make_is_load: bool = False
    break_volts: float = 0.0
    break_is_load: bool = False
    after_volts: float = 0.0
    filament_k: float = 0.0
    shares: tuple[float, ...] | None = None
    """Parts of the load's current that are left of each mount's lamps; None where all are."""
    dip: float = 1.0
    number: int = 0
    """Of the counted cycle; 0 where it is none."""
    is_loaded: bool = False
    is_over: bool = False
