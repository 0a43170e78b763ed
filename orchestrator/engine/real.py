"""The real world of one run: real clock, real links, files; and a journal that keeps what the monitor tells."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.pace import Pace, RealClock
from orchestrator.engine.people import Inbox
from orchestrator.engine.progress import Progress
from orchestrator.engine.run import World
from orchestrator.engine.stop import Stop
from orchestrator.record.journal import Journal
from orchestrator.record.seal import Heads
from orchestrator.record.store import FolderStore, StorageFault, Store

if TYPE_CHECKING:
    from orchestrator.monitor.process_port import ProcessPort
    from sequences.bench import Bench

MOST_KEPT_BACK = 1000
_KEPT = {
    "interlock": ("name", "closed", "channels", "failed", "at_s"),
    "bench_state": ("from", "to", "because", "at_s"),
    "disarmed": ("why", "at_s"),
}


class RunJournal(Journal):
    """A journal that also keeps what the interlock monitor tells.

    What was told waits in memory and is written just before the run's own next entry, or in a quiet moment: no
    write of its own ever stands in the way to safe.
    """

    def __init__(self, store: Store, clock: RealClock, on_entry: Callable[[dict[str, Any]], None]) -> None:
        super().__init__(store, clock, on_entry)
        self._told: deque[dict[str, Any]] = deque(maxlen=MOST_KEPT_BACK)

    def tell(self, event: dict[str, Any]) -> None:
        """Something that the monitor told. Never blocks."""
        if event.get("event") in _KEPT:
            self._told.append(event)

    def write_told(self) -> None:
        """Write what waits; a fault of the disk shows at the run's own next entry."""
        while self._told and self.count:
            event = self._told.popleft()
            kind = str(event["event"])
            fields = {name: event[name] for name in _KEPT[kind] if name in event}
            if "because" in fields:
                fields["event"] = fields.pop("because")
            super().keep(kind, **fields)

    def append(self, kind: str, **fields: Any) -> dict[str, Any]:
        self.write_told()
        return super().append(kind, **fields)

    def keep(self, kind: str, **fields: Any) -> StorageFault | None:
        self.write_told()
        return super().keep(kind, **fields)


def real_world(
    bench: Bench,
    port: ProcessPort,
    folder: Path,
    on_entry: Callable[[dict[str, Any]], None],
    changed: Callable[[], None],
) -> World:
    """Everything of one run. Raises StorageFault where its folder cannot be made."""
    clock = RealClock()
    stop = Stop(clock.now_s)
    pace = Pace(clock, stop, port)
    store = FolderStore(folder)
    journal = RunJournal(store, clock, on_entry)
    pace.on_slice.append(lambda: _listen(port, journal, pace, stop))
    return World(
        clock=clock,
        pace=pace,
        stop=stop,
        store=store,
        journal=journal,
        monitor=port,
        people=Inbox(),
        bench=open_bench(bench, pace, real_transport, off_in_threads),
        progress=Progress(changed),
        heads=Heads.of(folder.parent),
    )


def _listen(port: ProcessPort, journal: RunJournal, pace: Pace, stop: Stop) -> None:
    """Take what the monitor told; write it at once only while nothing is energised and nothing stops the run."""
    for event in port.events():
        journal.tell(event)
    if not pace.is_energised and stop.first is None:
        journal.write_told()
