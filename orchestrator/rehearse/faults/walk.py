"""One fault at one point: run up to it once, fork, inject, finish, judge; go on fault-free to the next point.

The unit of work is a contiguous range of points. Records stay in memory; what comes back of a cell is one small line.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import select
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from orchestrator.core.interlock import Rules
from orchestrator.record.chain import learn
from orchestrator.record.journal import JOURNAL
from orchestrator.rehearse.faults.benches import family_of
from orchestrator.rehearse.faults.case import Case
from orchestrator.rehearse.faults.harness import EngineStruck, Harness
from orchestrator.rehearse.faults.inject import inject, link_faults
from orchestrator.rehearse.faults.invariants import breaches, time_to_safe_s
from orchestrator.rehearse.faults.kinds import PAIR, cells
from orchestrator.rehearse.faults.points import Point, PointKind
from orchestrator.rehearse.faults.rejoin import FaultFree, Lookout, Meeting
from orchestrator.rehearse.faults.trace import Trace, Tracer
from orchestrator.rehearse.rehearsal import restarted_monitor

if TYPE_CHECKING:
    from orchestrator.engine.run import RunEnd
    from orchestrator.rehearse.faults.select import Selection
    from orchestrator.rehearse.rehearsal import Rehearsal

CELL_WITHIN_S = 60.0
AFTERMATH_S = 3.0
PAIR_GAP_S = 0.1
Make = Callable[[], "Rehearsal"]


@dataclass(frozen=True)
class Cell:
    """What became of one fault at one point. `breaches` empty: held."""

    fault: str
    family: str
    point: str
    number: int
    part: str
    breaches: tuple[str, ...]
    outcome: str
    reason: str
    tried: bool
    time_to_safe_s: float | None = None
    rejoined: bool = False

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


class _Enough(BaseException):
    """The walker has passed the last point of its range."""


def trace(make: Make) -> Trace:
    """The fault-free run."""
    harness = Harness(make())
    tracer = Tracer(harness)
    harness.rehearsal.perform()
    found = tracer.finish()
    found.fault_free = _fault_free(make)
    return found


def _fault_free(make: Make) -> FaultFree:
    """The same run again without the tracer's own means in it."""
    harness, found = Harness(make()), FaultFree()
    harness.points.on_point = lambda point: found.note(point, harness)
    found.end = harness.rehearsal.perform()
    harness.disarm()
    virtual = harness.rehearsal.virtual
    found.run_ended_s, found.left_then_v = virtual.now_s, _left_v(harness)
    virtual.run_until(virtual.now_s + _rules(harness).discharge_s + AFTERMATH_S)
    found.ended_s, found.left_v = virtual.now_s, _left_v(harness)
    found.seen = virtual.plant.show(virtual.now_s)
    found.truth, found.entries = virtual.plant.truth(), harness.rehearsal.world.journal.entries
    return found


def _left_v(harness: Harness) -> float:
    virtual = harness.rehearsal.virtual
    return harness.bench.left_v(virtual.plant.show(virtual.now_s))


def _rules(harness: Harness) -> Rules:
    return Rules.from_dict(harness.rehearsal.order.bench.bench.monitor_rules())  # type: ignore[union-attr]


def walk(make: Make, known: Trace, numbers: range, selection: Selection, rejoin: bool = True) -> list[Cell]:
    """Every cell of a range of points, in order. Without `rejoin` each is walked to its very end."""
    with _no_search_for_cycles():
        return _Walker(Harness(make()), known, numbers, selection, rejoin).walk()


@contextlib.contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """A child lives for milliseconds: a search in it would copy every page that it counts in."""
    searches = gc.isenabled()
    gc.collect()
    gc.disable()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        if searches:
            gc.enable()


def single(make: Make, fault: str, point_name: str) -> tuple[Rehearsal, RunEnd | None, list[str]]:
    """One cell in this process, to be looked at: the rehearsal, its end, and what broke. KeyError: no such point.

    `fault` may be a pair, `silent+door_opens`: the second is injected some points after the first.
    """
    harness = Harness(make())
    reached: list[Point] = []

    def on_point(point: Point) -> None:
        if point.name == point_name:
            reached.append(point)
            begin(fault, point, harness)

    harness.points.on_point = on_point
    end = _run(harness)
    if not reached:
        raise KeyError(point_name)
    case = _case(fault, reached[0], harness, end)
    case = replace(case, fails_anyway=lambda: _fault_free(make).failed)
    return harness.rehearsal, end, breaches(case)


def _nothing(point: Point) -> None:
    """At the points after a fault nothing more is done."""


def begin(fault: str, point: Point, harness: Harness, afterwards: Callable[[Point], None] = _nothing) -> None:
    """Inject at this point; of a pair the second at the first point after `PAIR_GAP_S` that it makes sense at.

    `afterwards` is called at each point after that.
    """
    first, _, second = fault.partition(PAIR)
    due_s = point.at_s + PAIR_GAP_S

    def on_point(later: Point) -> None:
        if second and later.at_s >= due_s and later.kind in harness.bench.by_name[second].at:
            harness.points.on_point = afterwards
            inject(second, later, harness)
            harness.second_injected = True

    harness.points.on_point = on_point if second else afterwards
    inject(first, point, harness)


@dataclass
class _Walker:
    """Walks a range of points in the parent; becomes one cell in each child."""

    harness: Harness
    known: Trace
    numbers: range
    selection: Selection
    rejoin: bool
    learnt: int = 0

    def walk(self) -> list[Cell]:
        self.found: list[Cell] = []
        self.child: tuple[str, Point, int] | None = None
        self.harness.points.on_point = self._on_point
        end: RunEnd | None = None
        try:
            with contextlib.suppress(_Enough):
                end = _run(self.harness)
        except BaseException:
            if self.child is None:
                raise
            self._say({"breaches": [f"the rehearsal itself failed: {traceback.format_exc(limit=-3)}"]})
        if self.child is not None:
            self._tell(end)
        return self.found

    def _on_point(self, point: Point) -> None:
        if point.number >= self.numbers.stop:
            raise _Enough
        if point.number not in self.numbers or not self.selection.wants(point):
            return
        self._learn()
        faults = [fault.name for fault in cells(point, self.known)[0]]
        if point.number in self.selection.pairs:
            faults.append(self.selection.pairs[point.number])
        for fault in faults:
            if self._became_child(fault, point):
                begin(fault, point, self.harness, self._lookout(fault, point))
                return

    def _lookout(self, fault: str, point: Point) -> Callable[[Point], None]:
        """In a child: ends it where it has met the fault-free run again."""
        fault_free = self.known.fault_free
        if fault_free is None or not self.rejoin:
            return _nothing
        lookout = Lookout(fault_free, _rules(self.harness).poll_s)

        def look(later: Point) -> None:
            meeting = lookout.met(later)
            if meeting is not None:
                later_s = later.at_s - meeting.at_s
                self._tell_judged(
                    lambda: _rejoined_case(fault, point, self.harness, fault_free, meeting, later_s)
                )

        return look

    def _learn(self) -> None:
        """The journal so far, which every child's record begins with, is read once for all of them."""
        count = self.harness.rehearsal.world.journal.count
        if count > self.learnt:
            for line in self.harness.rehearsal.store.read(JOURNAL).splitlines(keepends=True)[self.learnt :]:
                learn(line)
            self.learnt = count

    def _became_child(self, fault: str, point: Point) -> bool:
        """Fork. The child goes on with the fault; the parent waits for what it tells."""
        read, write = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(read)
            self.child = (fault, point, write)
            return True
        os.close(write)
        self.found.append(_heard(fault, point, _told(read, pid)))
        return False

    def _tell(self, end: RunEnd | None) -> None:
        """The child's last act, at the end of its run."""
        assert self.child is not None
        fault, point, _ = self.child
        self._tell_judged(lambda: self._against_the_fault_free(_case(fault, point, self.harness, end)))

    def _against_the_fault_free(self, case: Case) -> Case:
        """What can be said of a cell at its very end only beside the fault-free run."""
        known = self.known.fault_free
        if known is None:
            return case
        on_the_wire = case.restarted or case.fault in link_faults(case.bench)
        untouched = case.end == known.end and known.is_history(case.truth, case.promised, None)
        tried = case.tried and (on_the_wire or not untouched)
        return replace(case, tried=tried, fails_anyway=lambda: known.failed)

    def _tell_judged(self, case: Callable[[], Case]) -> None:
        try:
            told = _judged(case())
        except Exception:  # noqa: BLE001 (the child's process ends here; the parent must hear why)
            told = {"breaches": [f"the judgement itself failed: {traceback.format_exc(limit=-3)}"]}
        self._say(told)

    def _say(self, told: dict[str, Any]) -> None:
        """To the parent; the child ends here."""
        assert self.child is not None
        try:
            os.write(self.child[2], json.dumps(told).encode())
        finally:  # also where the parent is gone: a child that lived on would walk its parent's points
            os._exit(0)


def _told(read: int, pid: int) -> dict[str, Any] | None:
    """What a child told, or None when it did not within its time."""
    data, until_s = b"", time.monotonic() + CELL_WITHIN_S
    while select.select([read], [], [], max(0.0, until_s - time.monotonic()))[0]:
        piece = os.read(read, 65536)
        if not piece:
            break
        data += piece
    else:
        os.kill(pid, signal.SIGKILL)
    os.close(read)
    os.waitpid(pid, 0)
    return json.loads(data) if data else None


def _heard(fault: str, point: Point, told: dict[str, Any] | None) -> Cell:
    if told is None:
        told = {"breaches": [f"the rehearsal did not end within {CELL_WITHIN_S:g} s, or its process died"]}
    return Cell(
        fault=fault,
        family=family_of(fault),
        point=point.name,
        number=point.number,
        part=point.part,
        breaches=tuple(told["breaches"]),
        outcome=told.get("outcome", ""),
        reason=told.get("reason", ""),
        tried=told.get("tried", True),
        time_to_safe_s=told.get("time_to_safe_s"),
        rejoined=told.get("rejoined", False),
    )


def _judged(case: Case) -> dict[str, Any]:
    end = case.end
    return {
        "breaches": breaches(case),
        "outcome": "" if end is None else end.outcome.value,
        "reason": "" if end is None else end.cause.reason.value,
        "tried": case.tried,
        "time_to_safe_s": time_to_safe_s(case),
        "rejoined": case.rejoined,
    }


# ---- the end of a faulty run


def _run(harness: Harness) -> RunEnd | None:
    """The run to its end; None where the engine was struck."""
    try:
        return harness.rehearsal.perform()
    except EngineStruck:
        return None


def _case(fault: str, point: Point, harness: Harness, end: RunEnd | None) -> Case:
    """Leave plant and monitor alone for the discharge time, restart what was struck, and look."""
    rehearsal = harness.rehearsal
    virtual, plant = rehearsal.virtual, rehearsal.virtual.plant
    rules = _rules(harness)
    harness.disarm()
    run_ended_s, left_then_v = virtual.now_s, _left_v(harness)
    promised = rehearsal.world.journal.entries
    virtual.run_until(virtual.now_s + rules.discharge_s + AFTERMATH_S)
    bench = harness.bench
    before = sum(bench.resumes(e) for e in plant.truth())
    monitor = rehearsal.port.monitor
    restarted = harness.engine_struck or harness.monitor_struck_s is not None
    restarted_s = virtual.now_s
    if restarted:
        plant.set("mains", "on", virtual.now_s)
        monitor = restarted_monitor(rehearsal, blocked=monitor.blocked)
        virtual.run_until(virtual.now_s + rules.discharge_s + AFTERMATH_S)
    coils: dict[str, Any] = next((e for e in reversed(plant.truth()) if e["event"] == "coils"), {})
    energy = [*rules.outputs, *rules.lifted]
    return Case(
        bench=bench,
        fault=fault,
        injected_s=point.at_s,
        ended_s=virtual.now_s,
        restarted_s=restarted_s,
        truth=plant.truth(),
        store=rehearsal.store,
        end=end,
        promised=promised,
        blocked=monitor.blocked,
        coils_off=not any(coils.get(name) for name in energy),
        monitor_struck=harness.monitor_struck_s is not None,
        safety_link_struck=harness.safety_link_struck,
        rules=rules,
        restarted=restarted,
        applied_after_restart=sum(bench.resumes(e) for e in plant.truth()) - before,
        left_v=_left_v(harness),
        run_ended_s=run_ended_s,
        left_then_v=left_then_v,
        seen=plant.show(virtual.now_s),
        asked=harness.asked.motions,
        tried=_changed_anything(fault, point, harness),
        recorders=_recorders_asked(harness),
    )


def _rejoined_case(
    fault: str, point: Point, harness: Harness, known: FaultFree, meeting: Meeting, later_s: float
) -> Case:
    """What the cell did until it met the fault-free run, and the rest of that run behind it, so much later."""
    assert known.end is not None
    rehearsal = harness.rehearsal
    truth, entries = rehearsal.virtual.plant.truth(), rehearsal.world.journal.entries
    return Case(
        bench=harness.bench,
        fault=fault,
        injected_s=point.at_s,
        ended_s=known.ended_s + later_s,
        restarted_s=known.ended_s + later_s,
        truth=[*truth, *known.truth_after(meeting, later_s)],
        store=rehearsal.store,
        end=replace(known.end, sealed=False),  # the cell itself has not come to its seal
        promised=entries,
        rest=known.entries_after(meeting, later_s),
        blocked=None,
        coils_off=True,
        monitor_struck=False,
        safety_link_struck=harness.safety_link_struck,
        rules=_rules(harness),
        restarted=False,
        applied_after_restart=0,
        left_v=known.left_v,
        run_ended_s=known.run_ended_s + later_s,
        left_then_v=known.left_then_v,
        seen=known.seen,
        asked=harness.asked.motions,
        tried=_changed_anything(fault, point, harness)
        and (fault in link_faults(harness.bench) or not known.is_history(truth, entries, meeting)),
        rejoined=True,
        own_truth=len(truth),
        recorders=_recorders_asked(harness),
        fails_anyway=lambda: known.failed,
    )


def _recorders_asked(harness: Harness) -> dict[str, frozenset[str]]:
    """For each part of the run with a capture, the instruments behind the channels that its step names."""
    order = harness.rehearsal.order
    sequence, bench = order.sequence.sequence, order.bench.bench
    assert sequence is not None and bench is not None
    channels = {
        channel: rules.instrument
        for equipment in bench.equipment.values()
        for channel, rules in (getattr(equipment, "channels", None) or {}).items()
    }
    captures = [
        ("duty", getattr(step, "capture", None)) for step in getattr(sequence, "each_shot", None) or ()
    ]
    wanted = getattr(sequence, "verification", None)
    captures += [(n.replace("_", " "), getattr(getattr(wanted, n, None), "capture", None)) for n in _CIRCUITS]
    return {
        part: frozenset(channels[name] for name in capture.channels)
        for part, capture in captures
        if capture is not None
    }


_CIRCUITS = ("open_circuit", "short_circuit")


def _changed_anything(fault: str, point: Point, harness: Harness) -> bool:
    """Whether the fault was done: an exchange planned to go wrong must have taken place, and of a pair the second must
    have come. Whether it then changed a byte or a state is told by comparison with the fault-free run."""
    if PAIR in fault:
        return harness.second_injected
    if point.kind is PointKind.EXCHANGE and fault in link_faults(harness.bench):
        device: Any = harness.rehearsal.virtual.plant.devices[point.where]
        return bool(device.exchanges >= point.nth)
    return True
