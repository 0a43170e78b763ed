"""Room on the disk: what a shot needs there, and that none is fired that could not be kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.record.store import StorageFault
from sequences.bench import Digitiser

if TYPE_CHECKING:
    from orchestrator.record.store import Store
    from sequences.bench import Bench

JOURNAL_BYTES_A_SHOT = 100_000
BYTES_A_CODE = 2
ROOM_TIMES = 2


def shot_bytes(bench: Bench) -> int:
    """What one shot takes: its raw codes and its lines in the journal, rather too much than too little."""
    digitisers = [unit for unit in bench.equipment.values() if isinstance(unit, Digitiser)]
    codes = sum(unit.samples * len(unit.channels) for unit in digitisers)
    return codes * BYTES_A_CODE + JOURNAL_BYTES_A_SHOT


def require_room(store: Store, bench: Bench) -> None:
    """Raise StorageFault where a shot fired now might not be kept: a specimen is never spent unrecorded."""
    wanted, free = ROOM_TIMES * shot_bytes(bench), store.free_bytes()
    if free < wanted:
        raise StorageFault(
            "captures",
            f"would not have room for the next shot ({free / 1e6:.1f} MB free, {wanted / 1e6:.1f} MB wanted)",
            "The disk is full: make room, then start a new run.",
        )
