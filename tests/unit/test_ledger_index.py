"""Counts of cycles in the index and in the history of a specimen: from the ledgers, each cycle once."""

import json
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli import main
from orchestrator.record.index import INDEX, Index, MountRow
from orchestrator.record.specimens import history
from orchestrator.record.store import FolderStore
from tests.endurance_records import Endurance, Plan

FIRST, SECOND = "20260305-0914-WG-01", "20260305-0940-WG-01"


def written(data: Path, **plan: Any) -> None:
    made = Plan(**plan)
    Endurance(made, FolderStore(data / made.run)).write()


def two_runs(data: Path) -> None:
    written(data, upto=25, ended=False, sealed=False, findings={(7, 2): "fail_to_make", (9, 1): "supply_dip"})
    written(data, run=SECOND, continues=FIRST, begins_after=25)


def test_counts_by_run_and_mount(tmp_path: Path) -> None:
    two_runs(tmp_path)
    index = Index(tmp_path)
    rows = [
        MountRow(FIRST, 1, "WG-01", 1, 25, 25, 25, 24, 0),
        MountRow(FIRST, 2, "WG-02", 1, 25, 25, 25, 24, 1),
        MountRow(SECOND, 1, "WG-01", 26, 40, 15, 15, 15, 0),
        MountRow(SECOND, 2, "WG-02", 26, 40, 15, 15, 15, 0),
    ]
    assert index.counts() == rows
    assert index.counts("wg-02") == [rows[1], rows[3]]
    assert [(listed.run, listed.cycles) for listed in index.find(specimen="WG-02")] == [
        (FIRST, 24),
        (SECOND, 15),
    ]
    index.close()
    (tmp_path / INDEX).unlink()
    again = Index(tmp_path)
    assert again.counts() == rows
    again.close()


def test_a_run_that_goes_on_is_counted_anew(tmp_path: Path) -> None:
    written(tmp_path, upto=5, ended=False, sealed=False)
    index = Index(tmp_path)
    assert [one.confirmed for one in index.counts()] == [5, 5]
    (tmp_path / FIRST / "cycles.txt").write_bytes((tmp_path / FIRST / "cycles.txt").read_bytes()[:-99])
    assert [one.confirmed for one in index.counts()] == [5, 4]
    index.close()


def test_the_history_of_a_specimen_counts_its_cycles_once(tmp_path: Path) -> None:
    two_runs(tmp_path)
    second = history(tmp_path, "WG-02")
    assert [(run.run, run.cycles) for run in second.runs] == [(FIRST, 24), (SECOND, 15)]
    assert (second.cycles, second.spent_because) == (39, f"its duty was completed in run {SECOND}")
    assert history(tmp_path, "WG-01").cycles == 39
    assert history(tmp_path, "WG-03").cycles is None


def test_a_specimen_that_failed_is_spent_and_its_neighbour_is_not(tmp_path: Path) -> None:
    written(tmp_path, upto=25, findings={(7, 2): "fail_to_make", (8, 2): "fail_to_make"})
    assert history(tmp_path, "WG-02").spent_because == f"it failed at cycle 8 in run {FIRST}"
    assert history(tmp_path, "WG-02").runs[0].failed_at == 8
    assert history(tmp_path, "WG-01").spent_because is None


def test_a_rehearsal_gives_a_specimen_no_cycles(tmp_path: Path) -> None:
    written(tmp_path, world="rehearsal")
    assert history(tmp_path, "WG-01").cycles is None


def test_the_commands_list_and_show_count_cycles(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written(tmp_path, upto=25, ended=False, sealed=False, energised_at_the_end=True)
    assert main(["record", "list", "--data", str(tmp_path)]) == 0
    assert "25 cycles" in capsys.readouterr().out
    assert main(["record", "show", FIRST, "--data", str(tmp_path)]) == 0
    assert "WG-01 had 25 confirmed cycles in this run." in capsys.readouterr().out
    assert main(["record", "show", FIRST, "--data", str(tmp_path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ledger"]["2"]["confirmed"] == 25
