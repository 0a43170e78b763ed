"""Is the cause found? `python -m tests.studies.confusion [ANOMALIES]` prints the confusion matrix.

Cycles are drawn with one thing wrong each (tests/studies/cycle_records.py); the analysis sees their records
alone. Rows are what was wrong, columns what was found.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact import cycle_figures
from orchestrator.analysis.diagnosis import CODE, FINDINGS, MALFUNCTIONS, diagnose
from tests.studies.cycle_records import CAUSES, GATE, LANTERN, Bench, drawn_cycle, record, seen_of

AT_A_TIME = 64
LEAST_RIGHT = 0.99
NEVER_THE_SPECIMENS = tuple(name for name in FINDINGS if name not in MALFUNCTIONS)


def confusion(
    anomalies: int, seed: int = 0, benches: tuple[Bench, ...] = (GATE, LANTERN)
) -> NDArray[np.int64]:
    """Counts of shape (causes, findings), both in the order of FINDINGS."""
    drawn = np.random.default_rng(seed)
    counts = np.zeros((len(FINDINGS), len(FINDINGS)), dtype=np.int64)
    done = 0
    while done < anomalies:
        bench = benches[(done // AT_A_TIME) % len(benches)]
        number = min(AT_A_TIME, anomalies - done)
        labels = drawn.choice(list(CAUSES), number)
        found = _found(bench, labels.tolist(), drawn)
        np.add.at(counts, (np.array([CODE[label] for label in labels]), found), 1)
        done += number
    return counts


def _found(bench: Bench, labels: list[str], drawn: np.random.Generator) -> NDArray[np.uint8]:
    cycles = [drawn_cycle(bench, label, drawn) for label in labels]
    rows = [record(bench, cycle, drawn) for cycle in cycles]
    volts, amperes = (np.stack(side) for side in zip(*rows, strict=True))
    figures = cycle_figures(volts, amperes, bench.layout, bench.criteria)
    return diagnose(figures, seen_of(bench, cycles), bench.expected)


def right(counts: NDArray[np.int64]) -> float:
    """The share found as it was."""
    return float(np.trace(counts) / counts.sum())


def blamed(counts: NDArray[np.int64]) -> int:
    """How often the specimen was blamed for what it did not do."""
    others = [CODE[name] for name in NEVER_THE_SPECIMENS]
    return int(counts[np.ix_(others, [CODE[name] for name in MALFUNCTIONS])].sum())


def in_words(counts: NDArray[np.int64]) -> str:
    """The matrix as text."""
    head = " " * 17 + "".join(f"{name[:11]:>12}" for name in FINDINGS)
    lines = [
        f"{name:17}" + "".join(f"{count or '.':>12}" for count in row)
        for name, row in zip(FINDINGS, counts, strict=True)
    ]
    verdict = f"{right(counts):.2%} of {counts.sum()} right, specimen blamed wrongly {blamed(counts)} times"
    return "\n".join([head, *lines, verdict])


if __name__ == "__main__":
    matrix = confusion(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)
    print(in_words(matrix))
    raise SystemExit(0 if right(matrix) >= LEAST_RIGHT and blamed(matrix) == 0 else 1)
