"""Speed of the analysis of one operating cycle: figures and diagnosis, of one mount and of 64.

Run alone: python -m tests.bench.cycles

The bound is that of a cycle's whole time: 70 us for one mount, 25 us for each of 64. It stands as a multiple of
one numpy pass over the same arrays (sizes and largest of each channel), about 3 us for one mount on the
computer where it was set.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from orchestrator.analysis.contact import cycle_figures
from orchestrator.analysis.diagnosis import Seen, diagnose
from tests.bench.row import Row
from tests.studies.cycle_records import GATE, LANTERN, Array, Bench, drawn_cycle, record

ROUNDS = 15
BATCHES = 8
PER_BATCH = {1: 50, 64: 5}
AT_MOST = {(1, 0.0): 40.0, (1, 50.0): 80.0, (64, 0.0): 25.0, (64, 50.0): 50.0}


def rows() -> list[Row]:
    """The rows of the speed table; a row's time is that of one mount in one cycle."""
    return [_row(name, bench, mounts) for name, bench in _BENCHES for mounts in (1, 64)]


_BENCHES = (("d.c.", GATE), ("a.c.", LANTERN))


def _row(name: str, bench: Bench, mounts: int) -> Row:
    drawn = np.random.default_rng(2)
    cycles = [drawn_cycle(bench, "ok", drawn) for _ in range(mounts)]
    pairs = [record(bench, cycle, drawn) for cycle in cycles]
    volts, amperes = (np.stack(side) for side in zip(*pairs, strict=True))
    seen = Seen(*(bench.supply_v * part for part in (1.0, 0.99, 0.98, 1.0)))

    def ours() -> object:
        figures = cycle_figures(volts, amperes, bench.layout, bench.criteria)
        return diagnose(figures, seen, bench.expected)

    times = [(_taken_s(ours, mounts), _taken_s(lambda: _pass(volts, amperes), mounts)) for _ in range(ROUNDS)]
    ours_s, baseline_s = (statistics.median(side) for side in zip(*times, strict=True))
    ratio = statistics.median(a / b for a, b in times)
    what = f"cycle figures and diagnosis, {name}, one of {mounts} mounts, 300 + 200 samples"
    baseline = "numpy: sizes and largest of the same arrays"
    return Row(what, ours_s, baseline, baseline_s, ratio, AT_MOST[mounts, bench.hz])


def _pass(volts: Array, amperes: Array) -> tuple[Array, Array]:
    return np.abs(volts).max(axis=1), np.abs(amperes).max(axis=1)


def _taken_s(work: Callable[[], object], mounts: int) -> float:
    """For one mount, the best of some batches: what another program does meanwhile is not ours."""
    return min(_batch_s(work, PER_BATCH[mounts]) for _ in range(BATCHES)) / mounts


def _batch_s(work: Callable[[], object], times: int) -> float:
    started_s = time.perf_counter()
    for _ in range(times):
        work()
    return (time.perf_counter() - started_s) / times


if __name__ == "__main__":
    for row in rows():
        ratio = f"{row.ratio:6.2f}x of {row.at_most:g}x"
        print(f"{row.what:72}{row.ours_s * 1e6:8.2f} us {row.baseline_s * 1e6:8.2f} us {ratio}")
