"""A cyclic run stops at a limit where the file says so, in the cycle that passed it, and goes on where it does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.rehearse.rehearsal import plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence
from sequences.tree import Source

WEIR_GATE = Path(__file__).parents[2] / "sequences" / "library" / "weir_gate"


@pytest.mark.parametrize(("policy", "stopped"), [("stop", True), ("go on", False)])
def test_a_bounce_beyond_its_limit_stops_the_run_only_where_the_file_says_so(
    policy: str, stopped: bool
) -> None:
    text = (WEIR_GATE / "sequence.yaml").read_text()
    assert "failure_policy: {limit: go on" in text
    text = text.replace("failure_policy: {limit: go on", f"failure_policy: {{limit: {policy}")
    given = {"cycles": "20", "checked_every": "10"}
    sequence = load_sequence(Source("sequence.yaml", text), KINDS, given)
    plant = plant_for(WEIR_GATE / "bench.yaml", 1)
    plant.set("at_cycle", "7 specimen.bounces=x4", 0.0)
    run = prepare(sequence, load_bench(WEIR_GATE / "bench.yaml"), plant, 1, "S-01", coasts=True)
    end = run.perform()

    (row,) = [row for row in end.rows if row.requirement.result == "bounce_time"]
    assert row.verdict == "F"
    assert end.outcome == "fail"
    commanded = next(e for e in run.world.journal.entries if e["kind"] == "run_ended")["commanded"]
    assert (end.cause.reason == "specimen_failed") is stopped
    assert (commanded < 20) is stopped
    assert commanded >= 7
