"""A verification that an earlier run did and that still holds: found in the run folders, trusted as far as they go.

It holds for the same bench file and the same demands, until its time or its number of shots is over. It no longer
holds when its run, or any run of the bench after it, ended by a fault of the bench or has no proper end.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.engine.duty import EarlierVerification
from orchestrator.record.chain import read_chain
from orchestrator.record.journal import JOURNAL
from orchestrator.record.reader import RunRecord, read_run
from orchestrator.record.specimens import run_folders
from orchestrator.record.store import StorageFault
from orchestrator.steps import KINDS
from sequences.loader import load_sequence
from sequences.tree import Source

if TYPE_CHECKING:
    from sequences.loader import LoadedBench
    from sequences.model import Sequence

HARMLESS = frozenset(
    {
        Reason.COMPLETED, Reason.COUNT_REACHED, Reason.SPECIMEN_FAILED, Reason.INDICATOR_IGNITED,
        Reason.ABORT_BY_PERSON, Reason.INTERLOCK_OPEN, Reason.PLANNED_PAUSE,
    }
)  # fmt: skip


def earlier_verification(
    data: Path, bench: LoadedBench, sequence: Sequence, now: datetime
) -> EarlierVerification | None:
    """The latest accepted verification that still holds for this bench and these demands."""
    wanted = sequence.verification
    if wanted is None:
        return None
    shots = 0
    for record in _latest_first(data, bench.sha256):
        if not _ended_well(record):
            return None
        shots += sum(1 for _ in record.of("triggered"))
        done = record.last("verification")
        if shots > wanted.lapses_after.shots or _too_old(record, wanted.lapses_after.time, now):
            return None
        if done.get("accepted") and not done.get("reused_from") and _same_demands(record, sequence):
            return EarlierVerification(record.run, str(done["utc"]), done.get("effective_impedance_ohm"))
    return None


def _latest_first(data: Path, bench_sha256: str) -> Iterator[RunRecord]:
    """The real runs of this bench file, the latest first; each is read only when it is looked at."""
    found = []
    for folder in run_folders(data):
        started = _started(folder)
        if started.get("world") == "real" and started.get("bench_sha256") == bench_sha256:
            found.append((str(started.get("utc")), folder))
    for _, folder in sorted(found, reverse=True):
        yield read_run(folder)


def _started(folder: Path) -> dict[str, Any]:
    try:
        with (folder / JOURNAL).open("rb") as file:
            chain = read_chain(file.read(65_536))
    except OSError:
        return {}
    return next((entry for entry in chain.entries if entry.get("kind") == "run_started"), {})


def _ended_well(record: RunRecord) -> bool:
    """Sealed, unbroken, and stopped by nothing that speaks against the circuit or its measuring."""
    causes = {str(entry.get("reason")) for entry in record.of("cause")}
    harmless = {str(reason.value) for reason in HARMLESS}
    return record.sealed and not record.journal.breaks and bool(causes) and causes <= harmless


def _too_old(record: RunRecord, lapses_s: float, now: datetime) -> bool:
    """By the time at which the run's verification was done, or by its beginning."""
    stamp = record.last("verification").get("utc") or record.first("run_started").get("utc")
    try:
        done = datetime.fromisoformat(str(stamp).replace("Z", "+00:00"))
    except ValueError:
        return True
    return not 0 <= (now - done).total_seconds() < lapses_s


def _same_demands(record: RunRecord, sequence: Sequence) -> bool:
    """The frozen sequence of that run asked for the same, value for value."""
    parameters = record.first("run_started").get("parameters") or {}
    try:
        text = record.files.read("sequence.yaml").decode()
    except (StorageFault, UnicodeDecodeError):
        return False
    frozen = load_sequence(Source("sequence.yaml", text), KINDS, parameters).sequence
    return frozen is not None and frozen.verification == sequence.verification
