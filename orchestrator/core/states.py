"""The bench states of EN 50191 and the run states, as literal tables.

Rules
- A transition that is not in a table cannot happen (`orchestrator.machine` drives the tables).
- Guards are names; the caller gives their truth with each event. A guard that was not given counts as false.
- Nothing enters "in operation" with an interlock open, and only a proof of off leaves it; otherwise it
  becomes "off not proven", whose lamp is red and whose only way out is a named person's release with proof.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class BenchState(StrEnum):
    """EN 50191's four states and our worst one."""

    OUT_OF_OPERATION = "out of operation"
    READY_FOR_OPERATION = "ready for operation"
    READY_TO_SWITCH_ON = "ready to switch on"
    IN_OPERATION = "in operation"
    OFF_NOT_PROVEN = "off not proven"


class RunState(StrEnum):
    """Where a run is; the words are participles of what has been done with the specimen."""

    DRAFTED = "drafted"
    ADMITTED = "admitted"
    VERIFIED = "verified"
    ARMED = "armed"
    IN_OPERATION = "in operation"
    HOLDING = "holding"
    MADE_SAFE = "made safe"
    JUDGED = "judged"
    CLOSED = "closed"


@dataclass(frozen=True)
class Transition:
    """One row of a table: `event` leads from `source` to `target` when every guard holds."""

    event: str
    source: str
    target: str
    guards: tuple[str, ...] = ()


def _from(sources: Iterable[str], event: str, target: str, *guards: str) -> tuple[Transition, ...]:
    return tuple(Transition(event, source, target, guards) for source in sources)


_B = BenchState
BENCH_TABLE: tuple[Transition, ...] = (
    Transition("switch_on_signalling", _B.OUT_OF_OPERATION, _B.READY_FOR_OPERATION, ("off_proven",)),
    Transition("proof_failed", _B.OUT_OF_OPERATION, _B.OFF_NOT_PROVEN),
    Transition("arm", _B.READY_FOR_OPERATION, _B.READY_TO_SWITCH_ON, ("interlocks_closed", "off_proven")),
    Transition("proof_failed", _B.READY_FOR_OPERATION, _B.OFF_NOT_PROVEN),
    Transition("switch_off_signalling", _B.READY_FOR_OPERATION, _B.OUT_OF_OPERATION, ("off_proven",)),
    Transition("disarm", _B.READY_TO_SWITCH_ON, _B.READY_FOR_OPERATION, ("off_proven",)),
    Transition("proof_failed", _B.READY_TO_SWITCH_ON, _B.OFF_NOT_PROVEN),
    Transition("energise", _B.READY_TO_SWITCH_ON, _B.IN_OPERATION, ("interlocks_closed",)),
    Transition("off_proven", _B.IN_OPERATION, _B.READY_TO_SWITCH_ON, ("off_proven",)),
    Transition("proof_failed", _B.IN_OPERATION, _B.OFF_NOT_PROVEN),
    Transition("release", _B.OFF_NOT_PROVEN, _B.READY_FOR_OPERATION, ("off_proven", "named_person")),
)

LAMP_OF: dict[BenchState, str] = {
    _B.OUT_OF_OPERATION: "none",
    _B.READY_FOR_OPERATION: "green",
    _B.READY_TO_SWITCH_ON: "red",
    _B.IN_OPERATION: "red",
    _B.OFF_NOT_PROVEN: "red",
}

_R = RunState
_STOPPABLE = (_R.DRAFTED, _R.ADMITTED, _R.VERIFIED, _R.ARMED, _R.IN_OPERATION, _R.HOLDING)
RUN_TABLE: tuple[Transition, ...] = (
    Transition("admit", _R.DRAFTED, _R.ADMITTED),
    Transition("verify", _R.ADMITTED, _R.VERIFIED),
    *_from((_R.ADMITTED, _R.VERIFIED), "arm", _R.ARMED),
    Transition("energise", _R.ARMED, _R.IN_OPERATION),
    Transition("off_proven", _R.IN_OPERATION, _R.ARMED, ("off_proven",)),
    Transition("disarm", _R.ARMED, _R.VERIFIED, ("verified",)),
    Transition("disarm", _R.ARMED, _R.ADMITTED, ("not_verified",)),
    *_from((_R.ADMITTED, _R.VERIFIED), "hold", _R.HOLDING),
    Transition("go_on", _R.HOLDING, _R.VERIFIED, ("verified",)),
    Transition("go_on", _R.HOLDING, _R.ADMITTED, ("not_verified",)),
    *_from(_STOPPABLE, "make_safe", _R.MADE_SAFE),
    Transition("judge", _R.MADE_SAFE, _R.JUDGED),
    Transition("close", _R.JUDGED, _R.CLOSED),
)


def mermaid(table: tuple[Transition, ...], initial: str) -> str:
    """The diagram for the contributor guide, generated from the table (Mermaid state diagram)."""

    def key(state: str) -> str:
        return state.replace(" ", "_")

    lines = ["stateDiagram-v2", f"    [*] --> {key(initial)}"]
    for t in table:
        guards = f" [{' and '.join(t.guards)}]" if t.guards else ""
        lines.append(f"    {key(t.source)} --> {key(t.target)}: {t.event}{guards}")
    return "\n".join(lines)
