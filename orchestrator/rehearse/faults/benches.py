"""The kinds of bench that a fault test knows, by the kind of their plant. A further one is one more entry."""

from __future__ import annotations

from orchestrator.rehearse.faults.bench_kind import BenchKind
from orchestrator.rehearse.faults.kinds import PAIR
from orchestrator.rehearse.faults.on_endurance import ENDURANCE
from orchestrator.rehearse.faults.on_impulse import IMPULSE
from simulators.device import Plant

KINDS: dict[str, BenchKind] = {bench.name: bench for bench in (IMPULSE, ENDURANCE)}
BY_NAME = {fault.name: fault for bench in KINDS.values() for fault in bench.table}
"""Every fault of every bench."""


def bench_of(plant: Plant) -> BenchKind:
    """The description of a plant's kind of bench. KeyError: none is given for it."""
    return KINDS[plant.kind]


def family_of(fault: str) -> str:
    """The family of a fault, or of a pair."""
    return "pair" if PAIR in fault else BY_NAME[fault].family


def nearest_fault(name: str) -> str:
    """The known fault that is nearest to an unknown name."""
    from difflib import get_close_matches

    return get_close_matches(name, BY_NAME, n=1, cutoff=0.0)[0]
