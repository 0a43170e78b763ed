"""Is the cause found through the wire? `python -m tests.studies.confusion_on_the_wire [ANOMALIES]` prints the matrix.

The engine's own bench, drivers and analysis against the simulated plants of both endurance scenarios, in virtual time.
In each cycle one thing is wrong at most. What it is, is known to the plant alone: the analysis has what comes back from
recorder and gantry. Rows are what was wrong, columns what was found.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import yaml
from numpy.typing import NDArray

from orchestrator.analysis.diagnosis import CODE, FINDINGS
from orchestrator.core.reasons import Reason
from orchestrator.engine import run as engine_run
from orchestrator.engine.context import Context
from orchestrator.engine.cycle_duty import Cycles
from orchestrator.engine.cycle_rules import DROP_BAD_PART
from orchestrator.engine.live import live
from orchestrator.engine.run import RunOrder
from orchestrator.engine.stop import BenchFault
from orchestrator.rehearse.rehearsal import Rehearsal, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence
from simulators import plants
from tests.studies.confusion import LEAST_RIGHT, blamed, in_words, right

LIBRARY = Path(__file__).parents[2] / "sequences" / "library"
SCENARIOS = ("weir_gate", "lantern_row")
LAMPS = 3  # in each bank, so that one of them can go
ON_S = 0.5
PART = "trials"
Counts = NDArray[np.int64]


class Trials(Cycles):
    """Cycles with one thing wrong in each, instead of a duty."""

    def __init__(self, at: Context, order: RunOrder, spoiler: Spoiler, trials: int, counts: Counts) -> None:
        super().__init__(at, order)
        self._spoiler, self._trials, self._matrix_of = spoiler, trials, counts

    def perform(self) -> None:
        """All trials in one block."""
        at = self.at
        at.arming.require()
        with live(self.load.output, at, 1, PART):
            self.bench.ready()
            for trial in range(1, self._trials + 1):
                self._one(trial)

    def completed(self) -> tuple[Reason, str]:
        return Reason.COUNT_REACHED, f"{self._trials} trials"

    def close(self) -> None:
        """There is nothing to keep."""

    def _one(self, trial: int) -> None:
        bank = (trial - 1) % self.load.banks + 1
        self.bench.stand_by(bank)
        label, undo = self._spoiler.spoil(bank)
        try:
            _, codes = self._diagnosed(self.bench.operate(trial, bank, ON_S))
            found = int(codes[0])
        except BenchFault as fault:
            assert fault.reason is Reason.ACTUATOR_FAULT, fault
            found = CODE["actuator"]
        self._matrix_of[CODE[label], found] += 1
        undo()
        if found == CODE["actuator"]:
            self.bench.actuator.clear_alarm()
            self.bench.actuator.home()
            self.bench.move("off")
            self.bench.recorder.stop()
            self.bench.start_records("behind a cycle that the actuator spoilt")


class Spoiler:
    """Knows what is wrong and sets it on the plant; `virtual` is where the plant lives."""

    def __init__(self, rehearsal: Rehearsal, spec: dict[str, Any], seed: int) -> None:
        load = spec["load"]
        self._bad_x = (
            DROP_BAD_PART * load["voltage_v"] / (spec["specimen"]["contact_ohm"] * load["current_a"])
        )
        self._virtual = rehearsal.virtual
        self._plant: Any = rehearsal.virtual.plant
        self._random = np.random.default_rng(seed)
        self._spoil: dict[str, Callable[[int], Callable[[], None]]] = {
            "ok": lambda bank: _nothing,
            "fail_to_make": lambda bank: self._once("specimen.fails_to_make_at", f"{self._next}", "never"),
            "fail_to_break": self._weld,
            "high_resistance": self._resist,
            "load_open": lambda bank: self._burn(bank, LAMPS),
            "load_partial": lambda bank: self._burn(bank, 1),
            "supply_lost": lambda bank: self._once("supply", "off", "on"),
            "supply_dip": self._dip,
            "actuator": self._slip,
            "not_recorded": lambda bank: self._once("recorder.misses_trigger", "next", "no"),
        }

    def spoil(self, bank: int) -> tuple[str, Callable[[], None]]:
        """Make one thing wrong for the next cycle; what it is, and how to make it right again."""
        label = str(self._random.choice(list(self._spoil)))
        return label, self._spoil[label](bank)

    @property
    def _next(self) -> int:
        return int(self._plant.show(self._virtual.now_s)["cycles"]) + 1

    def _once(self, name: str, wrong: str, sound: str) -> Callable[[], None]:
        self._virtual.change(name, wrong)
        return lambda: self._virtual.change(name, sound)

    def _weld(self, bank: int) -> Callable[[], None]:
        self._virtual.change("specimen.welds_at_cycle", f"{self._next}")
        return self._new_specimen

    def _new_specimen(self) -> None:
        self._virtual.change("specimen.welds_at_cycle", "never")
        self._virtual.change("specimen", "new")

    def _resist(self, bank: int) -> Callable[[], None]:
        worn_x = self._bad_x * self._random.uniform(1.3, 5.0)
        return self._once("specimen.drop", f"x{worn_x:.0f}", "x1")

    def _burn(self, bank: int, lamps: int) -> Callable[[], None]:
        for _ in range(lamps):
            self._plant.bench.electrics.burn(0, bank)
        return lambda: self._virtual.change("lamp", "new")

    def _dip(self, bank: int) -> Callable[[], None]:
        part = self._random.uniform(40, 89)
        return self._once("supply.dips_at_cycle", f"{self._next}:{part:.0f} %", "never")

    def _slip(self, bank: int) -> Callable[[], None]:
        if self._random.random() < 0.5:
            self._virtual.change("gantry.encoder", "stale")
            return lambda: self._virtual.change("gantry.encoder", "ok")
        self._virtual.change("gantry.loses_steps", f"{self._random.integers(8, 19)}")
        return _nothing


def _nothing() -> None:
    """All is as it should be."""


def confusion(anomalies: int, seed: int = 1) -> Counts:
    """Counts of shape (causes, findings), both in the order of FINDINGS, of so many cycles in all."""
    counts = np.zeros((len(FINDINGS), len(FINDINGS)), dtype=np.int64)
    for number, scenario in enumerate(SCENARIOS):
        _try(scenario, anomalies // len(SCENARIOS), seed + number, counts)
    return counts


def _try(scenario: str, trials: int, seed: int, counts: Counts) -> None:
    folder = LIBRARY / scenario
    spec = yaml.safe_load((folder / "plant.yaml").read_text())
    spec["load"]["lamps"] = LAMPS
    plant = plants.build(spec["kind"], spec, seed)
    sequence = load_sequence(folder / "sequence.yaml", KINDS, {})
    rehearsal = prepare(sequence, load_bench(folder / "bench.yaml"), plant, seed, "S-01", coasts=True)
    spoiler = Spoiler(rehearsal, spec, seed)
    with patch.object(engine_run, "duty_run", lambda at, order: Trials(at, order, spoiler, trials, counts)):
        end = rehearsal.perform()
    assert end.cause.reason is Reason.COUNT_REACHED, end.sentence


def main() -> int:
    counts = confusion(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)
    print(in_words(counts))
    return 0 if right(counts) >= LEAST_RIGHT and blamed(counts) == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
