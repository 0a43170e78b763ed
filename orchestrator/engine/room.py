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
BYTES_A_ROW = 100  # of the ledger
BYTES_A_TRACE = 5_000  # two channels of 500 samples and their heading
TRACES_A_CYCLE = 12  # an anomaly with its neighbours on both sides
ROOM_TIMES = 2


def shot_bytes(bench: Bench) -> int:
    """What one shot takes: its raw codes and its lines in the journal, rather too much than too little."""
    digitisers = [unit for unit in bench.equipment.values() if isinstance(unit, Digitiser)]
    codes = sum(unit.samples * len(unit.channels) for unit in digitisers)
    return codes * BYTES_A_CODE + JOURNAL_BYTES_A_SHOT


def require_room(store: Store, bench: Bench) -> None:
    """Raise StorageFault where a shot fired now might not be kept: a specimen is never spent unrecorded."""
    require_bytes(store, shot_bytes(bench), "shot")


def cycle_bytes(mounts: int) -> int:
    """What one cycle may take: its rows, the traces around an anomaly, and what the journal says of it."""
    return mounts * (BYTES_A_ROW + TRACES_A_CYCLE * BYTES_A_TRACE) + JOURNAL_BYTES_A_SHOT


def require_bytes(store: Store, each: int, what: str = "cycle") -> None:
    """Raise StorageFault where the next shot or cycle, and one more, might not be kept."""
    wanted, free = ROOM_TIMES * each, store.free_bytes()
    if free < wanted:
        raise StorageFault(
            "captures",
            f"would not have room for the next {what} ({free / 1e6:.1f} MB free, {wanted / 1e6:.1f} MB wanted)",
            "The disk is full: make room.",
        )
