"""Which first cause each fault may be told as: what was done to the bench, in the words of the closed list.

A run that the fault did not stop may end as it would have without it; a person who cannot arm the bench says no. Here
stand the causes of what every bench can have; those of one kind of bench stand in its description.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.core.reasons import Reason

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.bench_kind import BenchKind

_R = Reason
UNHARMED = frozenset({_R.COMPLETED, _R.COUNT_REACHED})
INTERLOCK = UNHARMED | {_R.INTERLOCK_OPEN, _R.ABORT_BY_PERSON}
EMERGENCY_STOP = UNHARMED | {_R.EMERGENCY_STOP, _R.ABORT_BY_PERSON}
POWER = UNHARMED | {_R.OFF_NOT_PROVEN, _R.SUPPLY_FAULT}
OF_AN_INSTRUMENT = UNHARMED | {_R.INSTRUMENT_FAULT, _R.SUPPLY_FAULT, _R.CAPTURE_INVALID, _R.SPURIOUS_SHOT}
# The safety I/O is a device on a link, too: what it says falsely is believed until something contradicts it.
OF_A_LINK = OF_AN_INSTRUMENT | {_R.MONITOR_LOST, _R.INTERLOCK_OPEN, _R.EMERGENCY_STOP, _R.OFF_NOT_PROVEN}
_STORAGE = UNHARMED | {_R.STORAGE_FAULT}
_MONITOR = UNHARMED | {_R.MONITOR_LOST}

COMMON_CAUSES: dict[str, frozenset[Reason]] = {
    "disk_full": _STORAGE,
    "write_fails": _STORAGE,
    "sync_fails": _STORAGE,
    "person_says_no": frozenset({_R.ABORT_BY_PERSON}),
    "abort": UNHARMED | {_R.ABORT_BY_PERSON},
    "monitor_killed": _MONITOR,
    "monitor_frozen": _MONITOR,
}


def first_causes(fault: str, bench: BenchKind) -> frozenset[Reason]:
    """For a fault of the table or a pair; whatever acts on a link, or ends the engine, counts as a link's fault."""
    known = COMMON_CAUSES | dict(bench.first_causes)
    return frozenset().union(*(known.get(one, bench.of_a_link) for one in fault.split("+")))
