"""A rehearsal with its seams open: points are counted, and the engine or the monitor can be struck dead.

Rules
- A killed or frozen engine has no effect any more *before* it unwinds: its links, its store and its line to the monitor
  are severed first; plant and monitor live on alone.
- While the monitor talks to its safety I/O nothing is raised: a strike takes effect when the engine next acts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from orchestrator.monitor.port import LOST_AFTER_S, Reply, Snapshot
from orchestrator.rehearse.faults.benches import bench_of
from orchestrator.rehearse.faults.points import PointKind, Points

if TYPE_CHECKING:
    from orchestrator.core.reasons import Cause
    from orchestrator.monitor.virtual import VirtualPort
    from orchestrator.record.store import Act
    from orchestrator.rehearse.rehearsal import Rehearsal

SAFETY_IO = "safety_io"


@dataclass
class Asked:
    """How many motions the run has asked the bench for; what has been, and decides nothing."""

    HISTORY = frozenset({"motions"})

    motions: int = 0


class EngineStruck(BaseException):
    """The engine does nothing any more: killed, frozen or without power."""


class CannotInject(BaseException):
    """The fault itself could not be done: the test is wrong, and nothing was tried."""


@dataclass
class Harness:
    """The opened seams of one rehearsal."""

    rehearsal: Rehearsal
    points: Points = field(default_factory=Points)
    engine_struck: bool = False
    monitor_struck_s: float | None = None
    monitor_pipe_closed: bool = False
    safety_link_struck: bool = False
    second_injected: bool = False
    asked: Asked = field(default_factory=Asked)
    _truth_seen: int = 0

    def __post_init__(self) -> None:
        r = self.rehearsal
        self.bench = bench_of(r.virtual.plant)
        self.bench.watch(r, self.asked)
        self.port: VirtualPort = r.port
        self.points.now_s = lambda: r.virtual.now_s
        self.points.part = self._part
        self.points.energised = lambda: r.world.pace.is_energised
        r.virtual.before_say = self._before_say
        r.virtual.before_receive = self._before_receive
        r.virtual.on_inputs = self._on_inputs
        r.world.pace.on_wait = lambda: self.reach(PointKind.WAIT, "run")
        r.world.pace.on_slice.append(self._require_life)
        r.store.point = self._on_store
        r.technician.before_answer = lambda ask: self.points.reach(PointKind.ANSWER, ask)
        r.world.monitor = r.world.pace.watch = GuardedPort(self)

    def reach(self, kind: PointKind, where: str, message: bytes = b"") -> None:
        """A point of the engine's own doing."""
        self._require_life()
        self.points.reach(kind, where, message)
        self._require_life()

    def _part(self) -> str:
        progress = self.rehearsal.world.progress
        return f"{progress.part} {progress.shot}" if progress.part else ""

    def _before_say(self, device: str, data: bytes) -> None:
        messages = data.splitlines() if device != SAFETY_IO else [data]
        if device != SAFETY_IO:
            self._require_life()
        for message in messages:
            self.points.reach(PointKind.EXCHANGE, device, message)
        if device != SAFETY_IO:
            self._require_life()

    def _before_receive(self, device: str) -> None:
        if device != SAFETY_IO:
            self._require_life()

    def _on_inputs(self, now_s: float) -> None:
        truth = self.rehearsal.virtual.plant.truth()
        names = [e["name"] for e in truth[self._truth_seen :] if e["event"] == "input"]
        self._truth_seen = len(truth)
        self.points.reach(PointKind.INPUT, names[0] if names else "inputs")
        if self.monitor_struck_s is None:
            self.port.changed(now_s)

    def _on_store(self, act: Act, name: str) -> None:
        self.reach(PointKind.WRITE if act == "write" else PointKind.SYNC, name)

    def _require_life(self) -> None:
        if self.engine_struck:
            raise EngineStruck

    def disarm(self) -> None:
        """The run is over: plant and monitor live on without points."""
        self.points.on_point = lambda point: None

    # ---- strikes

    def strike_engine(self, pipe_closes: bool) -> None:
        """From here on the engine has no effect. A closed pipe is told to the monitor when it next polls."""
        self.engine_struck = True
        if pipe_closes and self.monitor_struck_s is None:
            self.rehearsal.virtual.soon(lambda: self.port.tell({"act": "engine_gone"}))

    def strike_monitor(self, pipe_closes: bool) -> None:
        """From here on the monitor neither reads nor writes; the watchdog in the safety I/O is what is left."""
        self.monitor_struck_s = self.rehearsal.virtual.now_s
        self.monitor_pipe_closed = pipe_closes
        virtual = self.rehearsal.virtual
        virtual.actors = [actor for actor in virtual.actors if actor is not self.port]


class GuardedPort:
    """The engine's line to the monitor: dead when either end is."""

    def __init__(self, harness: Harness) -> None:
        self._harness = harness
        self._last = Snapshot()

    def renew(self) -> None:
        self._alive()
        if self._there:
            self._harness.port.renew()

    def snapshot(self) -> Snapshot:
        self._alive()
        if self._there:
            self._last = self._harness.port.snapshot()
        return self._last

    def ask(self, act: str, timeout_s: float, on_slice: Callable[[], None], **args: Any) -> Reply:
        self._alive()
        if not self._there:
            virtual = self._harness.rehearsal.virtual
            virtual.run_until(virtual.now_s + (0.0 if self._harness.monitor_pipe_closed else timeout_s))
            on_slice()
            return Reply(0, False, "the interlock monitor does not answer")
        reply = self._harness.port.ask(act, timeout_s, on_slice, **args)
        self._alive()
        return reply

    def cause(self) -> Cause | None:
        self._alive()
        return self._harness.port.cause() if self._there else None

    def lost(self) -> bool:
        struck_s = self._harness.monitor_struck_s
        if struck_s is None:
            return self._harness.port.lost()
        silent_s = self._harness.rehearsal.virtual.now_s - struck_s
        return self._harness.monitor_pipe_closed or silent_s >= LOST_AFTER_S

    def events(self) -> list[dict[str, Any]]:
        return self._harness.port.events() if self._there else []

    @property
    def _there(self) -> bool:
        return self._harness.monitor_struck_s is None

    def _alive(self) -> None:
        if self._harness.engine_struck:
            raise EngineStruck
