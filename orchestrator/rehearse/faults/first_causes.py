"""Which first cause each fault may be told as: what was done to the bench, in the words of the closed list.

A run that the fault did not stop may end as it would have without it; a person who cannot arm the bench says no.
"""

from __future__ import annotations

from orchestrator.core.reasons import Reason

_R = Reason
_UNHARMED = frozenset({_R.COMPLETED})
_INTERLOCK = _UNHARMED | {_R.INTERLOCK_OPEN, _R.ABORT_BY_PERSON}
_OF_AN_INSTRUMENT = _UNHARMED | {_R.INSTRUMENT_FAULT, _R.SUPPLY_FAULT, _R.CAPTURE_INVALID, _R.SPURIOUS_SHOT}
# The safety I/O is a device on a link, too: what it says falsely is believed until something contradicts it.
_OF_A_LINK = _OF_AN_INSTRUMENT | {_R.MONITOR_LOST, _R.INTERLOCK_OPEN, _R.EMERGENCY_STOP, _R.OFF_NOT_PROVEN}
_STORAGE = _UNHARMED | {_R.STORAGE_FAULT}
_POWER = _UNHARMED | {_R.OFF_NOT_PROVEN, _R.SUPPLY_FAULT}
_MONITOR = _UNHARMED | {_R.MONITOR_LOST}

FIRST_CAUSES: dict[str, frozenset[Reason]] = {
    "door_opens": _INTERLOCK,
    "stick_taken": _INTERLOCK,
    "exhaust_stops": _INTERLOCK,
    "door_bounces": _INTERLOCK,
    "door_disagrees": _INTERLOCK,
    "door_sticks": _INTERLOCK,
    "emergency_stop": _UNHARMED | {_R.EMERGENCY_STOP, _R.ABORT_BY_PERSON},
    "contactor_welds": _POWER,
    "leakage_contactor_welds": _POWER,
    "discharge_fails": _POWER,
    "earth_fails": _POWER,
    "probe_switched": _OF_AN_INSTRUMENT,
    "disk_full": _STORAGE,
    "write_fails": _STORAGE,
    "sync_fails": _STORAGE,
    "person_says_no": frozenset({_R.ABORT_BY_PERSON}),
    "abort": _UNHARMED | {_R.ABORT_BY_PERSON},
    "monitor_killed": _MONITOR,
    "monitor_frozen": _MONITOR,
}


def first_causes(fault: str) -> frozenset[Reason]:
    """For a fault of the table or a pair; whatever acts on a link, or ends the engine, counts as a link's fault."""
    return frozenset().union(*(FIRST_CAUSES.get(one, _OF_A_LINK) for one in fault.split("+")))
