"""Rehearsals of the endurance scenarios by their tables of expected ends, at full length or shortened."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from orchestrator.record.continued import continued
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_table import LedgerRows, examine
from orchestrator.rehearse.faults.harness import EngineStruck
from orchestrator.rehearse.rehearsal import Rehearsal, going_on, plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence

LIBRARY = Path(__file__).parents[2] / "sequences" / "library"
SHORTER = 100
_NUMBER = re.compile(r"\b\d{4,}\b")
OUTAGE = re.compile(r"off for (?P<minutes>\d+) min (?P<seconds>\d+) s")


def expected(scenario: str) -> dict[str, dict[str, Any]]:
    """The table of a scenario."""
    table: dict[str, dict[str, Any]] = yaml.safe_load((LIBRARY / scenario / "expected.yaml").read_text())
    return table


@dataclass
class Trick:
    """One row of the table, with every number of a cycle divided by `by` (1: as it stands).

    A cycle of a bank stays one of that bank: what is divided is rounded to the same turn of the banks.
    """

    scenario: str
    row: dict[str, Any]
    by: int = 1
    banks: int = 1
    cut_short: bool = field(default=False, init=False)

    def cycle(self, number: int) -> int:
        """A cycle's number in the shortened run."""
        if self.by == 1 or number < 1000:
            return number
        shorter = number // self.by
        return shorter - (shorter - number) % self.banks if self.banks > 1 else shorter

    def text(self, value: object) -> str:
        """A setting with the cycles in it shortened."""
        return _NUMBER.sub(lambda found: str(self.cycle(int(found[0]))), str(value))

    def given(self, full: dict[str, int]) -> dict[str, str]:
        """Values at the start."""
        if "given" in self.row or self.by == 1:
            return {name: str(value) for name, value in (self.row.get("given") or {}).items()}
        return {name: str(value // self.by) for name, value in full.items()}


def rehearsal(trick: Trick, full: dict[str, int], on_entry: Any = None) -> Rehearsal:
    """The scenario's rehearsal with the row's tricks set on its plant."""
    folder = LIBRARY / trick.scenario
    sequence = load_sequence(folder / "sequence.yaml", KINDS, trick.given(full))
    plant = plant_for(folder / "bench.yaml", 1)
    for name, value in (trick.row.get("plant") or {}).items():
        plant.set(name, trick.text(value), 0.0)
    run = prepare(sequence, load_bench(folder / "bench.yaml"), plant, 1, "S-01", on_entry, coasts=True)
    for cycle, settings in (trick.row.get("at") or {}).items():
        _at_cycle(run, trick, trick.cycle(int(cycle)), settings)
    if "disk_full" in trick.row:
        _disk_full(run, trick.cycle(int(trick.row["disk_full"])))
    return run


def _at_cycle(run: Rehearsal, trick: Trick, cycle: int, settings: dict[str, Any]) -> None:
    plant: Any = run.virtual.plant
    for name, value in settings.items():
        outage = OUTAGE.fullmatch(str(value))
        plant.set("at_cycle", f"{cycle} {name}={'off' if outage else value}", 0.0)
        trick.cut_short = outage is not None


def _disk_full(run: Rehearsal, cycle: int) -> None:
    """From the row of that cycle on nothing more can be written."""
    append = run.store.append

    def full(name: str, data: bytes) -> None:
        if name == LEDGER and data[:7].isdigit() and int(data[:7]) >= cycle:
            run.store.capacity_bytes = 0
        append(name, data)

    run.store.append = full  # type: ignore[method-assign]


def ledger(run: Rehearsal) -> LedgerRows:
    """The rows that are durable."""
    found = examine(run.store.read(LEDGER))
    assert not found.findings, found.findings
    return found.rows


def after_an_outage(run: Rehearsal, folder: Path, outage_s: float) -> Rehearsal:
    """The same bench with power again and the daemon started anew, which goes on with the run whose end is cut off."""
    run.store.save_to(folder)
    virtual = run.virtual
    virtual.run_until(virtual.now_s + outage_s)
    return going_on(run, continued(folder))


__all__ = ["EngineStruck", "Trick", "after_an_outage", "expected", "ledger", "rehearsal"]
