"""The endurance scenarios end as their own tables say, with every trick named there and every run that goes on.

Judged by the record, by the ledger and by what the plant knows of it. In the ordinary tests every number of cycles is a
hundredth of the table's; BENCHWARD_FULL=1 takes the tables as they stand.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from orchestrator.record.ledger import LEDGER
from orchestrator.record.verify import verify
from orchestrator.rehearse.faults.harness import EngineStruck
from tests.run.endurance import (
    SHORTER,
    Bench,
    Shortened,
    bench,
    cut_with_the_mains,
    expected,
    fill_the_disk,
    gap_s,
)

FULL = bool(os.environ.get("BENCHWARD_FULL"))
GIVEN = {
    "weir_gate": {"cycles": 44_000, "checked_every": 2_000},
    "lantern_row": {"cycles": 18_000, "checked_every": 1_000},
}
BANKS = {"weir_gate": 1, "lantern_row": 4}
DRIFT = {"cycles": 3_000, "checked_every": 1_000}
"""A drift takes its own number of cycles: it is begun early instead, in a run that is long enough for it."""
DRIFTS_FROM = 500
ROWS = [(scenario, name) for scenario in GIVEN for name in expected(scenario)]


def shortened(scenario: str, row: dict[str, Any]) -> Shortened:
    short = Shortened.of(row, 1 if FULL else SHORTER, BANKS[scenario])
    return replace(short, by=10**5, begins=DRIFTS_FROM) if "warned" in row and not FULL else short


def given(scenario: str, row: dict[str, Any], by: int) -> dict[str, str]:
    if "given" in row:
        return {name: str(value) for name, value in row["given"].items()}
    if "warned" in row and by > 1:
        return {name: str(value) for name, value in DRIFT.items()}
    return {name: str(value // by) for name, value in GIVEN[scenario].items()}


def perform(made: Bench) -> Any:
    """The run's end; None where the power took the engine with it."""
    try:
        return made.rehearsal.perform()
    except EngineStruck:
        return None


def assert_ends_so(made: Bench, end: Any, wanted: dict[str, Any]) -> None:
    if end is None:
        earlier = made.earlier()
        assert (wanted["outcome"], wanted["reason"]) == ("inconc", earlier.reason)
        assert not made.of("run_ended")
        assert verify(made.saved(), None).interrupted
        return
    assert (end.outcome, end.cause.reason) == (wanted["outcome"], wanted["reason"]), end.sentence
    assert [row.verdict for row in end.rows] == wanted["verdicts"]
    assert end.off_proven is True
    assert wanted.get("said", "") in end.sentence
    assert end.sealed == (wanted["reason"] != "storage_fault")
    found = verify(made.saved(), None)
    assert found.ok or (not end.sealed and found.interrupted), found.sentence


def assert_counted_so(made: Bench, wanted: dict[str, Any], cycles: int) -> None:
    """The record's counts, the ledger's rows and what happened on the plant are one and the same."""
    earlier, rows = made.earlier(), made.rows()
    uncertain = int(earlier.uncertain_cycle is not None)
    assert int(earlier.counts.confirmed[0]) == cycles
    assert uncertain == wanted.get("uncertain", 0)
    if "anomalies" in wanted:
        assert made.anomalies() == wanted["anomalies"]
    pressed = made.plant.bench.cycles
    assert earlier.counts.commanded <= pressed <= earlier.counts.commanded + made.made_again + uncertain
    assert made.plant.show(made.rehearsal.virtual.now_s)["moves"] == sum(made.commanded.values())
    assert len(rows) == len(set(rows.cycle.tolist()))


def assert_warned_so(made: Bench, wanted: dict[str, Any], short: Shortened) -> None:
    warnings = [(entry["result"], entry["cycle"]) for entry in made.of("trend_warning")]
    if "warned" not in wanted:
        assert not warnings
        return
    of, after = wanted["warned"], wanted["warned"]["after"]
    ((result, cycle),) = warnings
    assert result == of["result"]
    assert short.cycle(after) < cycle <= short.cycle(after) + of["by"] - after


@pytest.mark.parametrize(("scenario", "name"), ROWS, ids=[f"{scenario}: {name}" for scenario, name in ROWS])
def test_a_scenario_ends_as_its_table_says(scenario: str, name: str, tmp_path: Path) -> None:
    row = expected(scenario)[name]
    short = shortened(scenario, row)
    given_so = given(scenario, row, short.by)

    def cycles(wanted: dict[str, Any]) -> int:
        whole = wanted["cycles"] == GIVEN[scenario]["cycles"]
        return int(given_so["cycles"]) if whole else short.cycle(wanted["cycles"])

    plant = {name: short.text(value) for name, value in (row.get("plant") or {}).items()}
    made = bench(scenario, tmp_path, given_so, plant)
    cut_with_the_mains(made)
    if "disk_full" in row:
        fill_the_disk(made, short.cycle(row["disk_full"]))

    end = perform(made)

    assert_ends_so(made, end, row)
    assert_warned_so(made, row, short)
    if not row["cycles"]:
        assert LEDGER not in made.rehearsal.store.names()
        return
    assert_counted_so(made, row, cycles(row))
    if resumed := row.get("resumed"):
        made.after(gap_s(resumed.get("gap")), resumed.get("plant") or {})
        end = perform(made)
        assert_ends_so(made, end, resumed)
        assert_counted_so(made, resumed, cycles(resumed))
        assert made.of("gap")
