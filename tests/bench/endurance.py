"""Speed of endurance cycles in virtual time: physics, wire on both sides, diagnosis and ledger, by the real engine.

What is counted is the process's own time. One row carries out 100,000 cycles of Weir gate, in two rehearsals of as many
cycles as its sequence allows. The others compare a block of cycles of 64 mounts with one of a single mount, taken in
turns; the supply is so much stiffer for 64 that their loads do not pull it down.
Run alone: python -m tests.bench endurance
"""

from __future__ import annotations

import statistics
import time
from typing import Any

import yaml

from orchestrator.rehearse.rehearsal import Rehearsal, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence
from sequences.tree import Source
from simulators.endurance.plant import build_endurance
from tests.bench.row import Row
from tests.run.endurance import LIBRARY

SCENARIO = LIBRARY / "weir_gate"
LONGEST = 50_000
MOUNTS = 64
ROUNDS = 5
PER_ROUND = {1: 2000, MOUNTS: 250}  # cycles of a block
IN_30_S, A_MOUNT_CYCLE_S, OF_ONE = 30.0, 60e-6, 0.5


def rows() -> list[Row]:
    """100,000 cycles, and what a mount's cycle costs among 64."""
    whole_s = sum(_processor_s(rehearsal(1, LONGEST, 2000, seed)) for seed in (1, 2))
    bound = "the bound, process time"
    what = "100,000 cycles of Weir gate in virtual time, one mount"
    return [Row(what, whole_s, bound, IN_30_S, whole_s / IN_30_S, 1.0), *_of_many()]


def _of_many() -> list[Row]:
    pairs = [(block_s(MOUNTS, seed), block_s(1, seed)) for seed in range(1, ROUNDS + 1)]
    many_s, one_s = (statistics.median(side) for side in zip(*pairs, strict=True))
    ratio = statistics.median(many / one for many, one in pairs)
    what = f"a mount's cycle among {MOUNTS} mounts"
    return [
        Row(what, many_s, "the bound, process time", A_MOUNT_CYCLE_S, many_s / A_MOUNT_CYCLE_S, 1.0),
        Row(f"{what}, against one mount's", many_s, "a cycle of one mount", one_s, ratio, OF_ONE),
    ]


def rehearsal(mounts: int, cycles: int, checked_every: int, seed: int, **hooks: Any) -> Rehearsal:
    """Weir gate with so many mounts, ready to be performed."""
    text = (SCENARIO / "sequence.yaml").read_text(encoding="utf-8")
    text = text.replace("mounts: {count: 1,", f"mounts: {{count: {mounts},")
    given = {"cycles": str(cycles), "checked_every": str(checked_every)}
    sequence = load_sequence(Source("sequence.yaml", text), KINDS, given)
    assert sequence.sequence is not None, [finding.what for finding in sequence.findings]
    spec = yaml.safe_load((SCENARIO / "plant.yaml").read_text(encoding="utf-8"))
    spec["specimen"]["mounts"] = mounts
    spec["load"]["source_ohm"] /= mounts
    specimens = tuple(f"WG-{number + 1}" for number in range(mounts)) if mounts > 1 else ()
    plant, bench = build_endurance(spec, seed), load_bench(SCENARIO / "bench.yaml")
    return prepare(sequence, bench, plant, seed, "WG-1", coasts=True, specimens=specimens, **hooks)


def block_s(mounts: int, seed: int) -> float:
    """Process time of a mount's cycle, from the first of a block to the hash of its rows."""
    stamps_s: dict[str, float] = {}

    def stamp(entry: dict[str, Any]) -> None:
        stamps_s.setdefault(entry["kind"], time.process_time())

    cycles = PER_ROUND[mounts]
    _processor_s(rehearsal(mounts, 2 * cycles, cycles, seed, on_entry=stamp))
    return (stamps_s["segment"] - stamps_s["cycles_started"]) / cycles / mounts


def _processor_s(ready: Rehearsal) -> float:
    began_s = time.process_time()
    end = ready.perform()
    assert end.cause.reason.value == "count_reached", end.sentence
    return time.process_time() - began_s
