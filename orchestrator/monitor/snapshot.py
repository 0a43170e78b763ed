"""What the monitor knows, as of its last turn, ready for JSON; `orchestrator.monitor.port.Snapshot` reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from orchestrator.core.interlock import ambient, voltages
from orchestrator.monitor.values import Block, Phase

if TYPE_CHECKING:
    from orchestrator.monitor.logic import Monitor


def snapshot_of(monitor: Monitor) -> dict[str, Any]:
    rules, reading = monitor.rules, monitor.reading
    return {
        "at_s": monitor.now_s,
        "read_at_s": None if reading is None else reading.at_s,
        "bench_state": monitor.bench_state.value,
        "lamp": monitor.lamp,
        "armed": list(monitor.armed),
        "inputs": _inputs(monitor),
        "feedback": {}
        if reading is None
        else {name: reading.feedback(rules, name) for name in rules.feedback},
        "voltages": {} if reading is None else voltages(rules, reading),
        "ambient": {} if reading is None else ambient(rules, reading),
        "outputs": {name: _output(monitor, name) for name in rules.outputs},
        "lifted": {name: _lifted(monitor, name) for name in rules.lifted},
        "cause": None if monitor.cause is None else monitor.cause.to_json(),
        "later": [cause.to_json() for cause in monitor.later],
        "blocked": monitor.blocked,
        "proof": None if monitor.proof is None else monitor.proof.to_json(),
    }


def _inputs(monitor: Monitor) -> dict[str, Any]:
    return {
        name: {
            "closed": view.closed,
            "channels": list(view.channels),
            "age_s": round(monitor.now_s - view.at_s, 6),
            "proven": view.proven(monitor.now_s),
            "failed": view.failed,
            "toggled_age_s": None if view.toggled_at_s is None else monitor.now_s - view.toggled_at_s,
        }
        for name, view in monitor.views.items()
    }


def _output(monitor: Monitor, name: str) -> dict[str, Any]:
    block: Block | None = monitor.blocks.get(name)
    left_s = block.due_s - monitor.now_s if block and block.phase is Phase.WARNING else 0.0
    return {
        "commanded": block is not None and block.commanded,
        "off_feedback": monitor.feedback(monitor.rules.outputs[name].off_feedback),
        "output_on": block is not None and block.phase is Phase.ON,
        "phase": "off" if block is None else block.phase.value,
        "warning_left_s": max(0.0, left_s),
        "cut_in_s": None
        if block is None or block.cut_by_s == float("inf")
        else block.cut_by_s - monitor.now_s,
    }


def _lifted(monitor: Monitor, name: str) -> dict[str, Any]:
    return {
        "commanded": any(name in block.lifted for block in monitor.blocks.values()),
        "closed": monitor.feedback(monitor.rules.lifted[name].closed_feedback),
    }
