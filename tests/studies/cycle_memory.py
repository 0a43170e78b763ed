"""Memory of a run of cycles: what the process holds at 20,000 and at 120,000 cycles, in the virtual world.

    .venv/bin/python -m tests.studies.cycle_memory [CYCLES]

The record is a folder on the disk, as on a real bench. Beside the process's resident memory it shows what could grow
with cycles: entries of the journal, entries of the plant's truth log.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from orchestrator.record.journal import Journal
from orchestrator.record.store import FolderStore
from tests.run.endurance import Bench, bench

EARLY, LATE = 20_000, 120_000
EVERY = 2_000
MAY_GROW_MB = 8.0
PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6


def resident_mb() -> float:
    """What this process holds now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE_MB


def longer(name: str, text: str) -> str:
    """The shipped sequence, which allows 50,000 cycles, with more allowed."""
    return text.replace("highest: 50000", "highest: 1000000") if name == "sequence" else text


def study(cycles: int, folder: Path) -> list[tuple[int, float, int, int]]:
    """At each intermediate measurement: cycle, resident MB, journal entries, truth entries."""
    seen: list[tuple[int, float, int, int]] = []
    made: Bench

    def look(entry: dict[str, Any]) -> None:
        if entry["kind"] == "segment":
            truth = len(made.plant.truth())
            seen.append((int(entry["last"]), resident_mb(), len(made.entries), truth))

    made = bench("weir_gate", folder, {"cycles": str(cycles), "checked_every": str(EVERY)}, change=longer)
    world = made.rehearsal.world
    world.store = FolderStore(folder / "record")
    world.journal = Journal(world.store, world.clock, look)
    end = made.rehearsal.perform()
    assert end.cause.reason == "count_reached", end.sentence
    return seen


def main() -> int:
    """Exit code 1 where the process has grown with the cycles."""
    cycles = int(sys.argv[1]) if len(sys.argv) > 1 else LATE
    with tempfile.TemporaryDirectory() as folder:
        seen = study(cycles, Path(folder))
    for cycle, held_mb, journal, truth in seen:
        if cycle % EARLY == 0:
            print(f"cycle {cycle:>8}: {held_mb:7.1f} MB, {journal} journal entries, {truth} truth entries")
    early_mb = next(held_mb for cycle, held_mb, *_ in seen if cycle >= EARLY)
    grown_mb = seen[-1][1] - early_mb
    print(f"grown by {grown_mb:.1f} MB from cycle {EARLY} to {seen[-1][0]}, allowed {MAY_GROW_MB:g} MB")
    return int(grown_mb > MAY_GROW_MB)


if __name__ == "__main__":
    sys.exit(main())
