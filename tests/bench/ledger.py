"""Speed of the ledger: a durable cycle beside a bare write and fsync of the same bytes, its rows, and its reading.

Both files lie on the same disk and take their cycles in turns. Run alone: python -m tests.bench ledger
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from orchestrator.record.ledger import LEDGER, Ledger, read
from orchestrator.record.ledger_rows import HEADING
from orchestrator.record.store import FolderStore, MemoryStore
from tests.bench.row import Row

APPENDED = 1000
WRITTEN = 4000
READ = 100_000
AT_MOST = 1.3
FIGURES = np.array([[0.0031234], [0.0023], [3.0], [9.1], [3.61], [0.0812], [0.0021], [0.0013]])


def rows() -> list[Row]:
    """Appending for one mount, what one row costs without the disk, and reading a long ledger."""
    return [_appended(1), _formatted(1, 15e-6), _formatted(64, 64 * 6e-6), _read()]


class _Cycles:
    """Cycles of so many mounts into one ledger; what the analysis hands over is there before."""

    def __init__(self, ledger: Ledger, mounts: int) -> None:
        self._append = ledger.append_cycle
        self._active = np.ones(mounts, bool)
        self._codes = np.zeros(mounts, np.uint8)
        self._matrix = np.repeat(FIGURES, mounts, axis=1)

    def write(self, cycle: int) -> None:
        self._append(cycle, 1, 5.0 * cycle, "CP", self._active, self._codes, self._matrix, 0.998)


def _appended(mounts: int) -> Row:
    ours_s, bare_s = [], []
    with tempfile.TemporaryDirectory() as folder:
        store = FolderStore(Path(folder) / "run")
        ledger = Ledger(store)
        cycles, data = _Cycles(ledger, mounts), _rows_of(1, mounts)
        bare = os.open(Path(folder) / "bare.txt", os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        for cycle in range(1, APPENDED + 1):
            began_s = time.perf_counter()
            cycles.write(cycle)
            ours_s.append(time.perf_counter() - began_s)
            began_s = time.perf_counter()
            os.write(bare, data)
            os.fsync(bare)
            bare_s.append(time.perf_counter() - began_s)
        os.close(bare)
        store.close()
    ratio = statistics.median(a / b for a, b in zip(ours_s, bare_s, strict=True))
    what = f"ledger append, {mounts} mount{'s' if mounts > 1 else ''}"
    ours, theirs = statistics.median(ours_s), statistics.median(bare_s)
    return Row(what, ours, "bare write and fsync of the same bytes", theirs, ratio, AT_MOST)


def _formatted(mounts: int, at_most_s: float) -> Row:
    cycles = _Cycles(Ledger(MemoryStore()), mounts)
    measured_s = []
    for cycle in range(1, WRITTEN // mounts + 1):
        began_s = time.perf_counter()
        cycles.write(cycle)
        measured_s.append(time.perf_counter() - began_s)
    ours_s = statistics.median(measured_s)
    what = f"ledger cycle in memory, {mounts} mount{'s' if mounts > 1 else ''}"
    return Row(
        what, ours_s, f"{at_most_s * 1e6:.0f} us, all of it but the disk", at_most_s, ours_s / at_most_s, 1.0
    )


def _rows_of(cycles: int, mounts: int) -> bytes:
    store = MemoryStore()
    writing = _Cycles(Ledger(store), mounts)
    for cycle in range(1, cycles + 1):
        writing.write(cycle)
    return store.read(LEDGER)[len(HEADING) :]


def _read() -> Row:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / LEDGER
        path.write_bytes(HEADING + _rows_of(READ, 1))
        measured_s = []
        for _ in range(5):
            began_s = time.perf_counter()
            assert len(read(path)) == READ
            measured_s.append(time.perf_counter() - began_s)
    ours_s = statistics.median(measured_s)
    return Row(f"ledger of {READ:,} cycles read, every row checked", ours_s, "0.3 s", 0.3, ours_s / 0.3, 1.0)
