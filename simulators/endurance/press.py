"""One press of the specimens, from its make to its break: what a record of it is made from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from simulators.endurance.wear import Block

WELL, NO_MAKE, NO_BREAK, ALWAYS_CLOSED = 0, 1, 2, 3


def _later(usual: Any) -> Any:
    return field(default=usual, init=False)


@dataclass(eq=False)
class Press:
    """Times are the bench's; infinite while a thing has not happened, minus infinity where it had happened before.

    `volts` and `is_load` are those of the source before the contacts, at the make and at the break. `outcome` has one
    of WELL, NO_MAKE, NO_BREAK (it made and stays closed) and ALWAYS_CLOSED for each mount; None where all are WELL.
    """

    block: Block
    row: int
    outcome: list[int] | None
    record: int = _later(0)
    bank: int = _later(0)
    make_trigger_s: float = _later(math.inf)
    break_trigger_s: float = _later(math.inf)
    closed_s: float = _later(math.inf)
    opened_s: float = _later(math.inf)
    closing_mm_s: float = _later(1.0)
    opening_mm_s: float = _later(1.0)
    make_volts: float = _later(0.0)
    make_is_load: bool = _later(False)
    break_volts: float = _later(0.0)
    break_is_load: bool = _later(False)
    after_volts: float = _later(0.0)
    filament_k: float = _later(0.0)
    shares: tuple[float, ...] | None = _later(None)
    """Parts of the load's current that are left of each mount's lamps; None where all are."""
    dip: float = _later(1.0)
    number: int = _later(0)
    """Of the counted cycle; 0 where it is none."""
    is_loaded: bool = _later(False)
    is_over: bool = _later(False)

    def outcome_of(self, mount: int) -> int:
        """How one mount fares."""
        return WELL if self.outcome is None else self.outcome[mount]
