"""How each fault of the table is done to a rehearsal at the point that is being reached."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from typing import TYPE_CHECKING

from orchestrator.rehearse.faults.harness import SAFETY_IO, CannotInject, Harness
from orchestrator.rehearse.faults.kinds import LONG_LATE_S

if TYPE_CHECKING:
    from orchestrator.record.store import Act
    from orchestrator.rehearse.faults.bench_kind import BenchKind
    from orchestrator.rehearse.faults.points import Point

TESTER = "the fault test"
LINK_FAULTS = {
    "silent": "silent",
    "late": f"late:{LONG_LATE_S:g} s",
    "dribbling": "dribble:0.3 s",
    "garbled": "garbled",
    "truncated": "truncated",
    "wrong_value": "wrong_value",
    "wrong_unit": "wrong_unit",
    "refused": "closed",
    "lost": "dropped",
    "restarted": "restart",
}


def link_faults(bench: BenchKind) -> dict[str, str]:
    """Those of every link and those that only this kind of bench is given, each as the plant calls it."""
    return {**LINK_FAULTS, **bench.link_faults}


def inject(fault: str, point: Point, harness: Harness) -> None:
    """Do it; raises EngineStruck where the engine itself is struck and is the one that acts.

    What cannot be done ends the cell by CannotInject: an engine that swallowed the error would seem to have held.
    """
    try:
        _inject(fault, point, harness)
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise CannotInject(f"{fault} cannot be done at {point.name}: {error}") from error


def _inject(fault: str, point: Point, harness: Harness) -> None:
    bench, virtual = harness.bench, harness.rehearsal.virtual
    if kind := link_faults(bench).get(fault):
        harness.safety_link_struck |= point.where == SAFETY_IO
        virtual.plant.plan_fault(point.where, point.nth, kind)
    elif fault in bench.settings:
        for name, value in bench.settings[fault]:
            virtual.change(
                name, value if isinstance(value, str) else value(virtual.plant.show(virtual.now_s))
            )
    else:
        _OTHERS[fault](point, harness)


def _abort(point: Point, harness: Harness) -> None:
    harness.rehearsal.virtual.soon(lambda: harness.port.tell({"act": "abort", "who": TESTER}))


def _disk_full(point: Point, harness: Harness) -> None:
    _fail_store(harness, lambda act: act == "write", errno.ENOSPC, for_good=True)


def _write_fails(point: Point, harness: Harness) -> None:
    _fail_store(harness, lambda act: act == "write", errno.EIO, for_good=False)


def _sync_fails(point: Point, harness: Harness) -> None:
    _fail_store(harness, lambda act: act == "sync", errno.EIO, for_good=False)


def _fail_store(harness: Harness, concerns: Callable[[Act], bool], code: int, for_good: bool) -> None:
    """The hook of the store runs before the act that is this point: raise there, and later if for good."""
    usual = harness.rehearsal.store.point

    def failing(act: Act, name: str) -> None:
        if concerns(act):
            raise OSError(code, os.strerror(code))
        usual(act, name)

    if for_good:
        harness.rehearsal.store.point = failing
    raise OSError(code, os.strerror(code))


def _person_says_no(point: Point, harness: Harness) -> None:
    technician = harness.rehearsal.technician
    technician.say_no()


def _engine_killed(point: Point, harness: Harness) -> None:
    harness.strike_engine(pipe_closes=True)


def _engine_frozen(point: Point, harness: Harness) -> None:
    harness.strike_engine(pipe_closes=False)


def _monitor_killed(point: Point, harness: Harness) -> None:
    harness.strike_monitor(pipe_closes=True)


def _monitor_frozen(point: Point, harness: Harness) -> None:
    harness.strike_monitor(pipe_closes=False)


def _power_cut(point: Point, harness: Harness) -> None:
    """Everything goes down at once; the last write may be torn."""
    virtual = harness.rehearsal.virtual
    harness.strike_monitor(pipe_closes=True)
    harness.strike_engine(pipe_closes=True)
    virtual.change("mains", "off")
    harness.rehearsal.store.power_cut(seed=point.number)


_OTHERS: dict[str, Callable[[Point, Harness], None]] = {
    "abort": _abort,
    "disk_full": _disk_full,
    "write_fails": _write_fails,
    "sync_fails": _sync_fails,
    "person_says_no": _person_says_no,
    "engine_killed": _engine_killed,
    "engine_frozen": _engine_frozen,
    "monitor_killed": _monitor_killed,
    "monitor_frozen": _monitor_frozen,
    "power_cut": _power_cut,
}
