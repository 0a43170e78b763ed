"""A run that ended without proof of off blocks the next start, also when the interlock monitor died with it.

Whoever is alive writes it where the monitor keeps it: the engine at the run's end, or the daemon before it starts the
monitor again, from what the newest record says. Only a named person's release, with proof, takes it away.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.monitor.kept import Kept

if TYPE_CHECKING:
    from orchestrator.record.reader import RunRecord

BLOCKED = (
    "Start blocked: off was not proven at the end of run {run} ({why}). Treat the bench as live; the test operator in "
    "charge releases it once off is proven."
)
INTERRUPTED = "it was interrupted after energy was switched on, and nothing says that it was off again"
NOT_READABLE = "its record cannot be read"
RELEASED = "released"


def block_start(data: Path, run: str, why: str) -> str | None:
    """Block the next start because of that run; an error in words, None when it is on disk."""
    return Kept(data).block(BLOCKED.format(run=run, why=why), {"run": run, "why": why})


def block_after_unproven(data: Path) -> str | None:
    """Block the start if the newest run was left without proof of off and nobody has released it since.

    The error in words when that cannot be written. A start that is blocked already stays as it is.
    """
    from orchestrator.record.specimens import newest_run  # only a starting daemon reads records

    folder = newest_run(data)
    if folder is None or Kept(data).blocked() is not None:
        return None
    why = _why_unproven(folder)
    if why is None or _is_released(data, folder.name):
        return None
    return block_start(data, folder.name, why)


def _why_unproven(folder: Path) -> str | None:
    from orchestrator.record.reader import NoRecord, read_run
    from orchestrator.record.store import StorageFault

    try:
        return why_unproven(read_run(folder))
    except NoRecord:  # not a line was written: nothing is switched on before its intent is on disk
        return None
    except StorageFault:
        return NOT_READABLE


def why_unproven(record: RunRecord) -> str | None:
    """Why a record leaves it open whether the bench is off; None when it never was on, or off was proven last."""
    if record.rehearsal:
        return None
    energised, off = False, True
    for entry in record.entries:
        if entry.get("kind") == "intent" and entry.get("act") == "energise":
            energised, off = True, False
        elif entry.get("kind") == "off_proof":
            off = entry.get("safe") is True
    ended = record.last("run_ended")
    if ended:
        proven = ended.get("off_proven") is True
        return (
            None if proven or not energised else str(ended.get("sentence") or "its record does not say why")
        )
    return None if off else INTERRUPTED


def _is_released(data: Path, run: str) -> bool:
    """Whether a named person has released the bench after that run; half a line says nothing."""
    try:
        lines = (data / "acts.jsonl").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return False
    return any(act.get("act") == RELEASED and act.get("run") == run for act in map(_act, lines))


def _act(line: str) -> dict[str, Any]:
    try:
        content = json.loads(line)
    except ValueError:
        return {}
    return content if isinstance(content, dict) else {}
