"""The fault-free run: every point with what it says, what is answered, and what comes after it."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_table import examine
from orchestrator.rehearse.faults.points import Point, PointKind

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.bench_kind import BenchKind
    from orchestrator.rehearse.faults.harness import Harness
    from orchestrator.rehearse.faults.rejoin import FaultFree

SAFETY_IO = "safety_io"


@dataclass
class Trace:
    """What the declared table asks about a point. `counted` are the events as others counted them.

    `last_applied` is the last point before an application of energy, `in_motion` are the points at which something
    moves, `measured_after` the cycles after which there was a measurement.
    """

    bench: BenchKind
    points: list[Point] = field(default_factory=list)
    counted: dict[str, int] = field(default_factory=dict)
    replies: dict[tuple[str, int], bytes] = field(default_factory=dict)
    changed: dict[tuple[str, int, str], bool] = field(default_factory=dict)
    values: dict[int, bool] = field(default_factory=dict)
    last_energised: int = -1
    last_applied: int = -1
    in_motion: set[int] = field(default_factory=set)
    measured_after: frozenset[int] = frozenset()
    fault_free: FaultFree | None = None
    _changes: dict[str, list[int]] = field(default_factory=dict)

    def reply(self, point: Point) -> bytes:
        """The true answer of an exchange; empty where it has none."""
        return self.replies.get((point.where, point.nth), b"")

    def changes(self, point: Point, kind: str) -> bool:
        """Whether a false answer of that kind would differ from the true one."""
        return self.changed.get((point.where, point.nth, kind), False)

    def value(self, point: Point) -> bool | None:
        """What a safety input became at its point."""
        return self.values.get(point.number)

    def moves_later(self, point: Point) -> bool:
        later = self.points[point.number + 1 :]
        return any(p.kind is PointKind.INPUT and p.where == point.where for p in later)

    def stands_open(self, point: Point, thing: str) -> bool:
        """Whether an input was open when this point was reached, as far as it has changed before."""
        if thing not in self._changes:
            self._changes[thing] = [n for n in self.values if self.points[n].where.startswith(f"{thing}.")]
        changes = self._changes[thing]
        place = bisect_left(changes, point.number)
        return place > 0 and not self.values[changes[place - 1]]

    def energises_later(self, point: Point) -> bool:
        """Whether an output is on at this point or at a later one."""
        return point.number <= self.last_energised

    def begins_moment(self, point: Point) -> bool:
        """Whether nothing happened yet at this instant that a change from outside could come before or after.

        Between two looks of the monitor no time passes for it, so a change at any point between them is one case.
        """
        if point.number == 0:
            return True
        before = self.points[point.number - 1]
        return before.at_s != point.at_s or _is_look(before) != _is_look(point)

    def by_kind(self) -> dict[str, int]:
        """The points by their kind."""
        counts: dict[str, int] = {}
        for point in self.points:
            counts[point.kind.value] = counts.get(point.kind.value, 0) + 1
        return counts


def _is_look(point: Point) -> bool:
    return point.kind is PointKind.EXCHANGE and point.where == SAFETY_IO


class Tracer:
    """Fills a trace while its rehearsal runs without a fault, and counts the same events by other means."""

    def __init__(self, harness: Harness) -> None:
        self.trace = Trace(harness.bench)
        self._harness = harness
        self._waits = 0
        self._seen = 0
        harness.points.on_point = self._on_point
        self._plant: Any = harness.rehearsal.virtual.plant
        self._inputs_before = self._plant.inputs_version()
        for name in self._plant.devices:
            device: Any = self._plant.devices[name]
            device.on_exchange = self._listener(name, device)
        self._count_waits(harness.rehearsal.world.pace)

    def _count_waits(self, pace: Any) -> None:
        for name in ("wait_until", "wait_for"):
            setattr(pace, name, self._counting(getattr(pace, name)))

    def _counting(self, wait: Any) -> Any:
        def counted(*args: Any, **kwargs: Any) -> Any:
            self._waits += 1
            return wait(*args, **kwargs)

        return counted

    def _listener(self, name: str, device: Any) -> Any:
        further = (kind for kind in self.trace.bench.link_faults.values() if kind.startswith("wrong_"))
        kinds = ("wrong_value", "wrong_unit", *further)

        def heard(number: int, message: bytes, reply: bytes) -> None:
            self.trace.replies[name, number] = reply
            for kind in kinds if reply else ():
                self.trace.changed[name, number, kind] = device.falsified(reply, kind) != reply

        return heard

    def _on_point(self, point: Point) -> None:
        self.trace.points.append(point)
        if point.energised:
            self.trace.last_energised = point.number
        bench, truth = self.trace.bench, self._plant.truth()
        if any(bench.applies(e) for e in truth[self._seen :]):
            self.trace.last_applied = point.number - 1
        self._seen = len(truth)
        if bench.in_motion(self._plant):
            self.trace.in_motion.add(point.number)
        if point.kind is PointKind.INPUT:
            changes = reversed(self._plant.truth())
            change = next(e for e in changes if e["event"] == "input" and e["name"] == point.where)
            self.trace.values[point.number] = bool(change["value"])

    def finish(self) -> Trace:
        """The trace, with the counts of the plant, the journal and the store beside it."""
        rehearsal = self._harness.rehearsal
        entries = rehearsal.world.journal.entries
        files = [name for name in rehearsal.store.names() if name != "journal.jsonl"]
        rows = examine(rehearsal.store.read(LEDGER)).rows.cycle.tolist() if LEDGER in files else []
        stored = rehearsal.world.journal.count + len(files) + len(set(rows))
        self.trace.measured_after = frozenset(e["last"] for e in entries if e["kind"] == "segment")
        self.trace.counted = {
            "exchange": sum(self._plant.exchanges().values()),
            "wait": self._waits,
            "write": stored,
            "sync": stored,
            "answer": sum(e["kind"] == "answered" for e in entries),
            "input": self._plant.inputs_version() - self._inputs_before,
        }
        return self.trace
