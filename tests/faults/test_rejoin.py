"""A cell that has become the fault-free run again is not walked further: the same judgement as at its very end."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from orchestrator.rehearse.faults import state as state_module
from orchestrator.rehearse.faults import walk as walk_module
from orchestrator.rehearse.faults.benches import BY_NAME
from orchestrator.rehearse.faults.campaign import traced
from orchestrator.rehearse.faults.harness import Harness
from orchestrator.rehearse.faults.points import Point, PointKind
from orchestrator.rehearse.faults.rejoin import OUTERMOST
from orchestrator.rehearse.faults.select import select
from orchestrator.rehearse.faults.state import State, frames_within, state_of
from orchestrator.rehearse.faults.walk import Cell, walk
from tests.faults.test_broken_engines import ORDER
from tests.faults.test_endurance import order

POINTS = 8


class Seen(BaseException):
    """Ends a rehearsal that has been looked at."""


def judged(cell: Cell) -> tuple[Any, ...]:
    seconds = None if cell.time_to_safe_s is None else round(cell.time_to_safe_s, 6)
    return cell.fault, cell.point, cell.breaches, cell.outcome, cell.reason, cell.tried, seconds


def test_a_sample_walked_to_its_very_end_is_judged_the_same() -> None:
    known = traced(ORDER)
    every = select(known, ORDER.seed)
    quiet = [n for n in sorted(every.numbers) if not known.points[n].energised]
    chosen = replace(every, numbers=frozenset(random.Random(7).sample(quiet, POINTS)))
    whole = range(len(known.points))

    short = walk(ORDER.make, known, whole, chosen)
    long = walk(ORDER.make, known, whole, chosen, rejoin=False)

    assert [judged(cell) for cell in short] == [judged(cell) for cell in long]
    assert sum(cell.rejoined for cell in short) >= 5
    assert not any(cell.rejoined for cell in long)


@contextmanager
def at_a_wait(part: str) -> Iterator[list[Any]]:
    """A rehearsal at its first wait within a part; what is appended to the list is called there."""
    harness = Harness(ORDER.make())
    calls: list[Any] = []

    def look(point: Point) -> None:
        if point.kind is PointKind.WAIT and point.part == part:
            for call in calls:
                call(harness)
            raise Seen

    harness.points.on_point = look
    yield calls
    with pytest.raises(Seen):
        harness.rehearsal.perform()


def state_after(part: str, change: Any) -> State:
    """The state at that wait, after something was changed."""
    found: list[State | None] = []
    with at_a_wait(part) as calls:
        calls.append(change)
        calls.append(lambda harness: found.append(state_of(walk_frames(), harness.rehearsal.virtual.now_s)))
    assert found[0] is not None
    return found[0]


def walk_frames() -> list[Any]:
    """The run's frames, without those of this test."""
    frames = frames_within(OUTERMOST)
    return [frame for frame in frames if frame.f_globals["__name__"] != __name__]


CHANGES = {
    "a door": lambda h: h.rehearsal.virtual.plant.set("door", "open", h.rehearsal.virtual.now_s),
    "the cloth": lambda h: h.rehearsal.virtual.plant.set("cloth", "burning", h.rehearsal.virtual.now_s),
    "a latent fault": lambda h: h.rehearsal.virtual.plant.set(
        "discharge.fails", "yes", h.rehearsal.virtual.now_s
    ),
    "a planned fault": lambda h: h.rehearsal.virtual.plant.plan_fault("generator", 9_999, "silent"),
    "a value of the run": lambda h: h.rehearsal.world.progress.figures.append({"value": 1.0}),
    "a cause": lambda h: setattr(h.port.monitor, "blocked", "no"),
    "a disk": lambda h: setattr(h.rehearsal.store, "capacity_bytes", 1),
    "a broken seam": lambda h: setattr(h, "engine_struck", True),
}


@pytest.mark.parametrize("name", CHANGES)
def test_whatever_is_changed_is_another_state(name: str) -> None:
    untouched = state_after("duty 2", lambda harness: None)

    assert untouched.is_that_of(state_after("duty 2", lambda harness: None), 0.0)
    assert not state_after("duty 2", CHANGES[name]).is_that_of(untouched, 0.0)


def test_an_entry_more_in_the_truth_log_is_no_other_state() -> None:
    after = state_after("duty 2", lambda h: h.rehearsal.virtual.plant.bench.truth.note(0.0, "a test"))

    assert after.is_that_of(state_after("duty 2", lambda harness: None), 0.0)


@pytest.mark.parametrize("scenario", ["tidewater", "weir_gate"])
def test_every_field_named_as_history_is_there(scenario: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that was renamed would keep every cell from meeting the fault-free run, and nobody would notice."""
    named: set[tuple[str, str]] = set()
    there: set[tuple[str, str]] = set()
    fields = state_module._fields

    def noting(obj: Any, kind: type, now_s: float) -> Any:
        for base in kind.__mro__:
            names = base.__dict__.get("HISTORY", frozenset())
            names |= state_module.LEFT_OUT.get(f"{base.__module__}.{base.__qualname__}", frozenset())
            named.update((base.__qualname__, name) for name in names)
            held = {*getattr(obj, "__dict__", ()), *state_module._slots(base), *getattr(base, "_fields", ())}
            there.update((base.__qualname__, name) for name in names if name in held)
        return fields(obj, kind, now_s)

    monkeypatch.setattr(state_module, "_fields", noting)
    make = (ORDER if scenario == "tidewater" else order(scenario)).make
    harness = Harness(make())
    looks = 0

    def look(point: Point) -> None:
        nonlocal looks
        if point.kind is PointKind.WAIT and point.number % 7 == 0 and looks < 20:
            looks += 1
            state_of(walk_frames(), point.at_s)

    harness.points.on_point = look
    harness.rehearsal.perform()

    assert len(named) > 15
    assert named == there


def test_a_float_is_the_same_or_later_by_the_same_time() -> None:
    known = State(b"", np.array([1.0, 20.0, np.inf, -np.inf, 0.0]))

    assert State(b"", np.array([1.0, 20.3, np.inf, -np.inf, 0.0])).is_that_of(known, 0.3)
    assert not State(b"", np.array([1.0, 20.2, np.inf, -np.inf, 0.0])).is_that_of(known, 0.3)
    assert not State(b"", np.array([1.0, 20.0, 5.0, -np.inf, 0.0])).is_that_of(known, 0.0)
    assert not State(b"other", known.floats).is_that_of(known, 0.0)
    assert not State(b"", known.floats[:4]).is_that_of(known, 0.0)


def test_a_fault_that_changed_nothing_is_not_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """A door opened that is open already, at a point that the table would leave."""
    known = traced(ORDER)
    opened = next(p for p in known.points if p.kind is PointKind.INPUT and known.value(p) is False)
    after = known.points[opened.number + 2]
    fault = BY_NAME["door_opens"]
    monkeypatch.setattr(walk_module, "cells", lambda point, trace: ([fault], []))
    chosen = replace(select(known, 1), numbers=frozenset({after.number}), pairs={})

    (cell,) = walk(ORDER.make, known, range(after.number, after.number + 1), chosen)

    assert cell.breaches == ()
    assert not cell.tried


def test_a_write_that_fails_behind_the_last_entry_is_tried() -> None:
    known = traced(ORDER)
    sheet = next(p for p in known.points if p.kind is PointKind.WRITE and p.where == "sheet.txt")
    chosen = replace(select(known, 1), numbers=frozenset({sheet.number}), pairs={})

    found = walk(ORDER.make, known, range(sheet.number, sheet.number + 1), chosen)

    assert {"disk_full", "write_fails"} <= {cell.fault for cell in found}
    assert all(cell.tried for cell in found)
