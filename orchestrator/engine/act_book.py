"""Acts of persons outside of a run's own record, refused ones too: a line each in `acts.jsonl` of the data folder.

A line is `{"utc", "act", "by", ...}`. What must be on disk before its reply is kept at once; of the rest a thread of
its own writes each soon, so that nobody who talks, and no abort, waits for the disk.
"""

from __future__ import annotations

import json
import queue
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from orchestrator.engine.people import Person
from orchestrator.engine.preflight import Refused
from orchestrator.record.seal import append_durably
from orchestrator.record.store import StorageFault

MOST_WAITING = 1000
_END = b""


class ActBook:
    """The acts of one data folder; any thread may write."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder, self._name = folder, name
        self._lock = threading.Lock()
        self._waiting: queue.Queue[bytes] = queue.Queue(MOST_WAITING)
        self._writer = threading.Thread(target=self._write_soon, name="acts", daemon=True)
        self._writer.start()

    def keep(self, act: str, who: Person, **facts: Any) -> None:
        """On disk when this returns. Refused where it cannot be written."""
        try:
            self._append(_line(act, who, facts))
        except StorageFault as fault:
            raise Refused("storage", fault.sentence, "repair the data folder, then try again") from fault

    def keep_soon(self, act: str, who: Person, **facts: Any) -> None:
        """Written by the thread; what cannot be written is told in the log."""
        try:
            self._waiting.put_nowait(_line(act, who, facts))
        except queue.Full:
            print(f"not recorded, too many acts at once: {act} by {who.name}", file=sys.stderr)

    def close(self) -> None:
        """Return when all that waits is written."""
        self._waiting.put(_END)
        self._writer.join()

    def _write_soon(self) -> None:
        while line := self._waiting.get():
            try:
                self._append(line)
            except StorageFault as fault:
                print(f"not recorded: {line.decode().strip()}: {fault.sentence}", file=sys.stderr)

    def _append(self, line: bytes) -> None:
        with self._lock:
            append_durably(self._folder, self._name, line)


def _line(act: str, who: Person, facts: dict[str, Any]) -> bytes:
    told = {"utc": datetime.now(UTC).isoformat(), "act": act, "by": who.to_json(), **facts}
    return json.dumps(told).encode() + b"\n"
