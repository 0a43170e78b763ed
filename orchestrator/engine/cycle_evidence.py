"""What a run of cycles has gathered of one specimen, as its requirements are judged by it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.analysis.diagnosis import FINDINGS, MALFUNCTIONS
from orchestrator.engine.cycle_rules import uncertainties_of
from orchestrator.engine.digest import FIGURES
from orchestrator.engine.judge import Evidence, Value

if TYPE_CHECKING:
    from orchestrator.engine.cycle_duty import Cycles
    from orchestrator.engine.mounts import Mounts
    from sequences.model import Sequence


def evidence_of(cycles: Cycles, place: int) -> Evidence:
    """Figures of the cycles, measurements and counts of the mount at a place, from 0."""
    mounts, gathered = cycles.mounts, cycles.at.gathered
    values = cycles.digest.values(place, uncertainties_of(cycles.bench.recorder_rules))
    for name, found in gathered.values.items():
        values[name] = [value for value in found if value.mount in (0, place + 1)]
    for name, count in _counts(mounts, place).items():
        values[name] = [Value(mounts.commanded, float(count), "", 0.0, 1.0)]
    have = {
        name: int(cycles.digest.count[row, place] + mounts.malfunctions[place])
        for row, name in enumerate(FIGURES)
    }
    return Evidence(
        values,
        gathered.states,
        cycles.duty.cycles,
        have=have,
        measurements=measurements_wanted(cycles.at.sequence, cycles.duty.cycles),
        complete=not mounts.active[place] and not mounts.failed_at[place],
        failed=bool(mounts.failed_at[place]),
    )


def _counts(mounts: Mounts, place: int) -> dict[str, int]:
    found = {name: int(mounts.findings[place, FINDINGS.index(name)]) for name in MALFUNCTIONS}
    return {**found, "malfunctions": int(mounts.malfunctions[place]), "cycles": int(mounts.done[place])}


def measurements_wanted(sequence: Sequence, cycles: int) -> dict[str, int]:
    """How many values of each measured result there have to be at the end of so many cycles."""
    wanted: dict[str, int] = {}
    lists = [(1, sequence.initial_measurements), (1, sequence.final_measurements)]
    between = sequence.intermediate_measurements
    if between is not None:
        lists.append((cycles // between.every, between.steps))
    for times, steps in lists:
        for step in steps:
            for name in step.results(sequence):
                wanted[name] = wanted.get(name, 0) + times
    return wanted
