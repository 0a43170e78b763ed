"""The fault test's speed: all cells of Tidewater's single-fault test on two cores, from a seeded sample of its ranges.

The whole test takes minutes, so a sample of contiguous ranges is timed and its time scaled by the cells.
"""

from __future__ import annotations

import random
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

from orchestrator.rehearse.faults.campaign import planned, run_range, traced
from orchestrator.rehearse.faults.kinds import cells
from orchestrator.rehearse.faults.select import select
from tests.bench.row import Row
from tests.faults.test_broken_engines import ORDER

WHOLE_S = 120.0
SPEED_UP = 1.5
RANGES, SAMPLED = 120, 6


def rows() -> list[Row]:
    """Two rows: the whole test in seconds, and one worker's time over two workers'."""
    order = replace(ORDER, given=(("shots", "4"),))
    known = traced(order)
    selection = select(known, order.seed)
    ranges = random.Random(order.seed).sample(planned(known, selection, RANGES), SAMPLED)
    weights = {n: len(cells(known.points[n], known)[0]) for n in sorted(selection.numbers)}
    every = sum(weights.values())
    sampled = sum(weights[n] for first, last in ranges for n in range(first, last + 1) if n in weights)
    two_s, one_s = _timed(order, ranges, 2), _timed(order, ranges, 1)
    whole_s = two_s * every / sampled
    return [
        Row(
            f"fault test of Tidewater: {every} cells, two cores (from {sampled})",
            whole_s,
            "bound",
            WHOLE_S,
            whole_s / WHOLE_S,
            1.0,
        ),
        Row("fault test: two workers", two_s, "one worker", one_s, two_s / one_s, 1.0 / SPEED_UP),
    ]


def _timed(order: object, ranges: list[tuple[int, int]], workers: int) -> float:
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(_ready, range(workers), [order] * workers))
        began_s = time.perf_counter()
        for done in [pool.submit(run_range, order, first, last) for first, last in ranges]:  # type: ignore[arg-type]
            done.result()
        return time.perf_counter() - began_s


def _ready(number: int, order: object) -> int:
    """Have the trace in the worker before the clock starts."""
    return len(traced(order).points)  # type: ignore[arg-type]
