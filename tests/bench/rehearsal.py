"""Speed of whole rehearsals, in seconds of one processor, beside the bounds that weeks of testing in minutes need.

What is counted is the process's own time (all of its threads), so that what else the computer does matters less.
Nothing is kept from one rehearsal to the next but what does not depend on it (parsed notations, coded messages,
designs of fits); each has a seed of its own, so every circuit is solved anew.
Run alone: python -m tests.bench rehearsal
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

from orchestrator.record.seal import seal
from orchestrator.record.sheet import data_sheet
from orchestrator.record.store import MemoryStore
from orchestrator.rehearse.rehearsal import Rehearsal, plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from tests.bench.row import Row

SCENARIO = Path(__file__).parents[2] / "sequences" / "library" / "tidewater"
RUNS = 9
REHEARSAL_S = 0.1
PREPARED_S = 0.01
CLOSED_S = 0.003


def rows() -> list[Row]:
    """One whole rehearsal, and of it what every one costs however early it ends."""
    sequence = load_sequence(SCENARIO / "sequence.yaml", KINDS, {})
    bench = load_bench(SCENARIO / "bench.yaml")
    done = prepared(sequence, bench, 0)
    end = done.perform()
    assert end.sealed, end.sentence
    stores = [unsealed(done) for _ in range(RUNS + 1)]
    return [
        row(
            "rehearsal of Tidewater: 6 verification shots and 12 shots",
            REHEARSAL_S,
            lambda seed: prepared(sequence, bench, seed).perform(),
        ),
        row(
            "rehearsal: plant and bench put together",
            PREPARED_S,
            lambda seed: prepared(sequence, bench, seed),
        ),
        row("rehearsal: data sheet and seal", CLOSED_S, lambda seed: close(done, stores[seed])),
    ]


def prepared(sequence: Loaded, bench: LoadedBench, seed: int) -> Rehearsal:
    """A plant of its own for each; as `benchward rehearse` prepares it."""
    return prepare(sequence, bench, plant_for(SCENARIO / "bench.yaml", seed), seed, coasts=True)


def unsealed(done: Rehearsal) -> MemoryStore:
    """A copy of a run's store without its sheet and seal."""
    store = MemoryStore()
    for name in done.store.names():
        if name not in ("seal.json", "sheet.txt"):
            store.create(name, done.store.read(name))
    return store


def close(done: Rehearsal, store: MemoryStore) -> None:
    """Sheet and seal of a run that has ended."""
    store.create("sheet.txt", data_sheet(done.world.journal.entries).encode())
    seal(store, done.world.journal, done.world.clock)


def row(what: str, bound_s: float, work: Callable[[int], object]) -> Row:
    """The median over RUNS seeds beside the bound."""
    times_s = [processor_s(work, seed) for seed in range(RUNS + 1)][1:]
    ours_s = statistics.median(times_s)
    return Row(what, ours_s, "the bound, process time", bound_s, ours_s / bound_s, 1.0)


def processor_s(work: Callable[[int], object], seed: int) -> float:
    """Process time of one turn."""
    began_s = time.process_time()
    work(seed)
    return time.process_time() - began_s
