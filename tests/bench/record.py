"""Speed of the record: a durable journal event beside a bare write and fsync of the same bytes.

Both files lie on the same disk and take their lines in turns. Run alone: python -m tests.bench.record
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from orchestrator.record.chain import encode_line
from orchestrator.record.journal import Journal
from orchestrator.record.store import FolderStore
from tests.bench.row import Row

EVENTS = 1500
AT_MOST = 1.5
FACTS = {
    "shot": 7, "instrument": "digitiser_v", "method": "operation status bit 5", "waiting": True, "age_s": 0.0021,
    "when": "before trigger",
}  # fmt: skip


class Now:
    """The computer's clock."""

    def now_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)


def rows() -> list[Row]:
    """The journal's row."""
    ours_s, bare_s = [], []
    with tempfile.TemporaryDirectory() as folder:
        store = FolderStore(Path(folder) / "run")
        journal = Journal(store, Now())
        bare = os.open(Path(folder) / "bare.jsonl", os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        for _ in range(EVENTS):
            began_s = time.perf_counter()
            entry = journal.append("proof_of_capture", **FACTS)
            ours_s.append(time.perf_counter() - began_s)
            line = encode_line(entry)
            began_s = time.perf_counter()
            os.write(bare, line)
            os.fsync(bare)
            bare_s.append(time.perf_counter() - began_s)
        os.close(bare)
        store.close()
    ratio = statistics.median(a / b for a, b in zip(ours_s, bare_s, strict=True))
    ours, theirs = statistics.median(ours_s), statistics.median(bare_s)
    return [Row("durable journal event", ours, "bare write and fsync", theirs, ratio, AT_MOST)]
