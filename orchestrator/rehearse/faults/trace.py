"""The fault-free run: every point with what it says, what is answered, and what comes after it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from orchestrator.rehearse.faults.points import Point, PointKind

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.harness import Harness


@dataclass
class Trace:
    """What the declared table asks about a point."""

    points: list[Point] = field(default_factory=list)
    counted: dict[str, int] = field(default_factory=dict)
    _replies: dict[tuple[str, int], bytes] = field(default_factory=dict)
    _changes: dict[tuple[str, int, str], bool] = field(default_factory=dict)
    _values: dict[int, bool] = field(default_factory=dict)
    _last_energised: int = -1

    def reply(self, point: Point) -> bytes:
        """The true answer of an exchange; empty where it has none."""
        return self._replies.get((point.where, point.nth), b"")

    def changes(self, point: Point, kind: str) -> bool:
        """Whether a false answer of that kind would differ from the true one."""
        return self._changes.get((point.where, point.nth, kind), False)

    def value(self, point: Point) -> bool | None:
        """What a safety input became at its point."""
        return self._values.get(point.number)

    def moves_later(self, point: Point) -> bool:
        return any(
            p.kind is PointKind.INPUT and p.where == point.where for p in self.points[point.number + 1 :]
        )

    def energises_later(self, point: Point) -> bool:
        """Whether an output is on at this point or at a later one."""
        return point.number <= self._last_energised


class Tracer:
    """Fills a trace while its rehearsal runs without a fault."""

    def __init__(self, harness: Harness) -> None:
        self.trace = Trace()
        self._harness = harness
        harness.points.on_point = self._on_point
        self._plant: Any = harness.rehearsal.virtual.plant
        for name, device in dict(self._plant.devices).items():
            device.on_exchange = self._listener(name, device)

    def _listener(self, name: str, device: Any) -> Any:
        def heard(number: int, message: bytes, reply: bytes) -> None:
            trace = self.trace
            trace._replies[name, number] = reply
            for kind in ("wrong_value", "wrong_unit"):
                trace._changes[name, number, kind] = bool(reply) and device.falsified(reply, kind) != reply

        return heard

    def _on_point(self, point: Point) -> None:
        trace = self.trace
        trace.points.append(point)
        if point.energised:
            trace._last_energised = point.number
        if point.kind is PointKind.INPUT:
            change = next(e for e in reversed(self._plant.truth()) if e["event"] == "input")
            trace._values[point.number] = bool(change["value"])

    def finish(self) -> Trace:
        """Count independently of the hooks: by the plant's exchanges and its log."""
        trace, plant = self.trace, self._plant
        trace.counted = {
            "exchange": sum(plant.exchanges().values()),
            "answer": sum(e["kind"] == "answered" for e in self._harness.rehearsal.world.journal.entries),
        }
        return trace
