"""The fault test can fail on the endurance bench: engines broken on purpose, each caught by a cell that holds with the
sound engine.

The cell of each row is found by what it is, in the run that is under way: a fault at the first point of a kind, a place
and a message.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from drivers.equipment.actuator import MotionActuator
from drivers.links.base import LinkFault
from orchestrator.analysis.diagnosis import FINDINGS
from orchestrator.engine import bench, cycle_duty
from orchestrator.engine.cycle_bench import CycleBench
from orchestrator.record import ledger
from orchestrator.record.continued import continued
from orchestrator.rehearse.faults import walk
from orchestrator.rehearse.faults.harness import Harness
from orchestrator.rehearse.faults.invariants import breaches
from orchestrator.rehearse.faults.points import Point, PointKind
from orchestrator.rehearse.rehearsal import going_on
from tests.faults.test_endurance import WEIR_GATE

Break = Callable[[pytest.MonkeyPatch], None]
IN_THE_MIDDLE = "cycles 2"
AFTER_THE_BREAK = 2  # of the waits of a cycle: for its time, while it is on, for the end of its record
PRESS, RELEASE = b" G01 Z-12", b" G01 Z5"


@dataclass(frozen=True)
class Row:
    """One broken engine and the cell that catches it. `moving`: only while the axis is on its way."""

    name: str
    break_it: Break
    fault: str
    kind: PointKind
    where: str
    message: bytes
    breaks: str
    nth: int = 0
    part: str = IN_THE_MIDDLE
    moving: bool = False


def send_a_motion_again(patch: pytest.MonkeyPatch) -> None:
    """An acknowledgement that does not come is taken for a message that did not arrive."""
    carry_out = MotionActuator._carry_out

    def raised(self: MotionActuator, fault: LinkFault) -> Any:
        raise fault

    def again(self: MotionActuator, *arguments: Any) -> Any:
        try:
            return carry_out(self, *arguments)
        except LinkFault:
            self.open()
            return carry_out(self, *arguments)

    patch.setattr(MotionActuator, "_state_after_reopening", raised)
    patch.setattr(MotionActuator, "_carry_out", again)


def count_without_electrical_confirmation(patch: pytest.MonkeyPatch) -> None:
    """Where the actuator was is proof enough."""
    patch.setattr(cycle_duty, "diagnose", lambda figures, *_: np.zeros(len(figures.drop_v), np.uint8))


def write_the_row_before_the_end(patch: pytest.MonkeyPatch) -> None:
    """The row of a cycle stands in the ledger as soon as the contact has made."""
    move, write = CycleBench.move, cycle_duty.Cycles._write

    def hasty(self: CycleBench, to: str) -> Any:
        state = move(self, to)
        duty: Any = self.at.duty
        if to == "on" and duty._in_flight:
            cycle = duty._in_flight
            write(duty, cycle, 1, self.at.pace.now_s(), "CP", np.zeros(1, np.uint8), None)
        return state

    def once(self: cycle_duty.Cycles, cycle: int, *arguments: Any) -> None:
        if self.ledger is not None and cycle > self.ledger.last_cycle:
            write(self, cycle, *arguments)

    patch.setattr(CycleBench, "move", hasty)
    patch.setattr(cycle_duty.Cycles, "_write", once)


def drop_a_row(patch: pytest.MonkeyPatch) -> None:
    append = ledger.Ledger.append_cycle

    def forgetful(self: ledger.Ledger, cycle: int, *arguments: Any) -> None:
        if cycle != 2:
            append(self, cycle, *arguments)

    patch.setattr(ledger.Ledger, "append_cycle", forgetful)


def call_a_lamp_the_contact(patch: pytest.MonkeyPatch) -> None:
    sound = cycle_duty.diagnose

    def careless(*arguments: Any) -> Any:
        codes = sound(*arguments)
        return np.where(codes == FINDINGS.index("load_open"), FINDINGS.index("fail_to_make"), codes)

    patch.setattr(cycle_duty, "diagnose", careless)


def resume_by_itself(patch: pytest.MonkeyPatch) -> None:
    """A daemon that is started anew goes on with the run that it finds."""

    def eager(rehearsal: Any, blocked: str | None) -> Any:
        virtual = rehearsal.virtual
        virtual.before_say = virtual.before_receive = None
        again = going_on(rehearsal, continued(rehearsal.store))
        again.perform()
        return again.port.monitor

    patch.setattr(walk, "restarted_monitor", eager)


def leave_the_axis_on_its_way(patch: pytest.MonkeyPatch) -> None:
    """On the way to safe nobody tells the actuator to stop: the brake will catch it."""
    patch.setattr(bench, "ActuatorRules", bench.RecorderRules)


def believe_a_stale_encoder(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(MotionActuator, "_require_there", lambda *_: None)


def believe_the_count_of_the_drive(patch: pytest.MonkeyPatch) -> None:
    """Where the drive believes to be is where the axis is."""
    require = MotionActuator._require_there

    def trusting(self: MotionActuator, motion: Any, state: Any, before: Any) -> None:
        require(self, motion, replace(state, encoder_mm=state.commanded_mm), before)

    patch.setattr(MotionActuator, "_require_there", trusting)


def forget_the_uncertain_cycle(patch: pytest.MonkeyPatch) -> None:
    """A run that ended in the middle of a cycle tells nobody, and neither does its record."""
    from orchestrator.record import continued as taken_over

    patch.setattr(taken_over, "left_energised", lambda record: False)
    close = cycle_duty.Cycles.close

    def silent(self: cycle_duty.Cycles) -> None:
        self._in_flight = 0
        close(self)

    patch.setattr(cycle_duty.Cycles, "close", silent)


_X, _W = PointKind.EXCHANGE, PointKind.WAIT
ROWS = (
    Row("send a motion again", send_a_motion_again, "silent", _X, "gantry", PRESS, "each motion once"),
    Row(
        "count without electrical confirmation",
        count_without_electrical_confirmation,
        "specimen_misses",
        _X,
        "gantry",
        PRESS,
        "counts what was made",
    ),
    Row(
        "write the row before the end",
        write_the_row_before_the_end,
        "engine_killed",
        _X,
        "gantry",
        RELEASE,
        "there was no operation",
    ),
    Row("drop a row", drop_a_row, "abort", _X, "gantry", PRESS, "cycles followed", part="cycles 4"),
    Row(
        "call a lamp the contact",
        call_a_lamp_the_contact,
        "lamp_burns",
        _X,
        "gantry",
        PRESS,
        "counts the specimen alone",
    ),
    Row("resume by itself", resume_by_itself, "engine_killed", _X, "gantry", RELEASE, "nothing resumes"),
    Row(
        "leave the axis on its way",
        leave_the_axis_on_its_way,
        "abort",
        _X,
        "safety_io",
        b"",
        "at rest before the cut",
        moving=True,
    ),
    Row(
        "believe a stale encoder",
        believe_a_stale_encoder,
        "encoder_stale",
        _X,
        "gantry",
        PRESS,
        "an encoder that stood still",
    ),
    Row(
        "believe the drive's count",
        believe_the_count_of_the_drive,
        "steps_lost",
        _X,
        "gantry",
        PRESS,
        "confirms true positions",
    ),
    Row(
        "forget the uncertain cycle",
        forget_the_uncertain_cycle,
        "abort",
        _W,
        "run",
        b"",
        "nobody is told",
        AFTER_THE_BREAK,
    ),
)


@dataclass
class _Found:
    """Injects at the wanted one of the matching points of a run."""

    row: Row
    harness: Harness
    seen: int = 0
    at: Point | None = None

    def on_point(self, point: Point) -> None:
        if self.at is None and self._matches(point):
            if self.seen == self.row.nth:
                self.at = point
                walk.begin(self.row.fault, point, self.harness)
                return
            self.seen += 1

    def _matches(self, point: Point) -> bool:
        row = self.row
        moves = not row.moving or self.harness.bench.in_motion(self.harness.rehearsal.virtual.plant)
        named = point.kind is row.kind and point.where.startswith(row.where) and point.part == row.part
        return named and row.message in point.message and moves


def caught(row: Row) -> list[str]:
    """What the cell of a row breaks in the engine that is there now."""
    harness = Harness(WEIR_GATE.make())
    found = _Found(row, harness)
    harness.points.on_point = found.on_point
    end = walk._run(harness)
    assert found.at is not None, f"no point of {row.name}"
    return breaches(walk._case(row.fault, found.at, harness, end))


@pytest.mark.parametrize("row", ROWS, ids=[row.name for row in ROWS])
def test_a_broken_engine_is_caught_where_the_sound_one_holds(
    row: Row, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert caught(row) == []

    row.break_it(monkeypatch)

    assert any(row.breaks in sentence for sentence in caught(row)), caught(row)
