"""What a further run takes over from an interrupted or a finished one."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from orchestrator.record.continued import CannotGoOn, Continued, continued
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_rows import FIGURES, HEADING, ROW_BYTES
from orchestrator.record.reader import NoRecord
from orchestrator.record.store import FolderStore
from tests.endurance_records import Endurance, Plan

FIRST = "20260305-0914-WG-01"
SECOND = "20260305-0940-WG-01"
CUT = {"upto": 25, "ended": False, "sealed": False}


def written(data: Path, **plan: Any) -> Path:
    made = Plan(**plan)
    Endurance(made, FolderStore(data / made.run)).write()
    return data / made.run


def counts(of: Continued) -> tuple[list[int], list[int]]:
    return of.counts.done.tolist(), of.counts.confirmed.tolist()


def test_an_outage_in_the_midst_of_a_block(tmp_path: Path) -> None:
    found = continued(written(tmp_path, **CUT, energised_at_the_end=True, findings={(7, 2): "fail_to_make"}))
    assert (found.run, found.sealed, found.reason, found.counts.commanded) == (FIRST, False, "power_lost", 25)
    assert counts(found) == ([25, 25], [25, 24])
    assert (found.uncertain_cycle, found.uncertain_mounts) == (26, (1, 2))
    assert found.specimens == ("WG-01", "WG-02")
    assert (found.sequence_sha256, found.bench_sha256) == ("a" * 64, "b" * 64)
    assert found.datum == {"touches_at_mm": -1.25, "force_n": 44.1}
    assert found.ambient_c == 22.5
    assert found.stopped_because.startswith("the record has no end, its last word is:")


def test_an_outage_is_dated_by_the_last_row_where_the_journal_is_older(tmp_path: Path) -> None:
    found = continued(written(tmp_path, **CUT, energised_at_the_end=True, every=20))
    assert found.stopped_utc[:19] == "2026-03-05T09:16:05"


def test_a_stop_between_blocks_leaves_nothing_uncertain(tmp_path: Path) -> None:
    found = continued(written(tmp_path, **CUT))
    assert (found.uncertain_cycle, found.uncertain_mounts, found.counts.commanded) == (None, (), 25)


def test_a_planned_pause(tmp_path: Path) -> None:
    found = continued(written(tmp_path, upto=25))
    assert (found.sealed, found.reason, found.stopped_because) == (True, "planned_pause", "25 cycles done")
    assert found.uncertain_cycle is None


def test_a_write_cut_off_between_two_mounts_leaves_the_cycle_of_one_uncertain(tmp_path: Path) -> None:
    folder = written(tmp_path, **CUT, energised_at_the_end=True, every=20)
    ledger = folder / LEDGER
    ledger.write_bytes(ledger.read_bytes()[: -ROW_BYTES + 30])
    found = continued(folder)
    assert counts(found) == ([25, 24], [25, 24])
    assert (found.uncertain_cycle, found.uncertain_mounts, found.torn_bytes) == (25, (2,), 30)


def test_a_mount_that_failed_stays_failed_also_where_only_its_row_says_so(tmp_path: Path) -> None:
    findings = {(24, 2): "fail_to_make", (25, 2): "fail_to_make"}
    told = continued(written(tmp_path / "a", upto=30, findings=findings))
    assert told.counts.failed_at.tolist() == [0, 25]
    assert counts(told) == ([30, 25], [30, 23])
    not_told = continued(
        written(tmp_path / "b", **CUT, energised_at_the_end=True, findings=findings, times=99)
    )
    assert not_told.counts.failed_at.tolist() == [0, 25]
    assert not_told.uncertain_mounts == (1,)


def test_a_chain_of_runs_counts_together_and_once(tmp_path: Path) -> None:
    written(tmp_path, **CUT, energised_at_the_end=True)
    folder = written(tmp_path, run=SECOND, continues=FIRST, begins_after=25, upto=33)
    found = continued(folder)
    assert found.runs == (FIRST, SECOND)
    assert counts(found) == ([33, 33], [33, 33])
    assert (found.uncertain_cycle, found.datum) == (None, {"touches_at_mm": -1.25, "force_n": 44.1})
    assert [value.shot for result, value in found.measurements() if value.mount == 1] == [0, 10, 20, 30, 33]
    (tmp_path / FIRST).rename(tmp_path / "elsewhere")
    with pytest.raises(CannotGoOn, match=rf"went on with run {FIRST}, whose record is not beside it"):
        continued(folder)


def test_the_figures_of_all_confirmed_cycles_are_given_once(tmp_path: Path) -> None:
    written(tmp_path, **CUT, findings={(7, 2): "fail_to_make", (9, 1): "supply_dip"})
    found = continued(written(tmp_path, run=SECOND, continues=FIRST, begins_after=25, upto=33))
    taken: dict[int, list[int]] = {0: [], 1: []}

    class Digest:
        def take_many(self, cycles: Any, figures: Any, mount: int) -> None:
            assert figures.shape == (len(FIGURES), len(cycles))
            assert np.isfinite(figures).all()
            taken[mount] += cycles.tolist()

    found.fill(Digest())
    assert taken == {0: [c for c in range(1, 34) if c != 9], 1: [c for c in range(1, 34) if c != 7]}


def test_a_ledger_that_does_not_hold_is_not_gone_on_with(tmp_path: Path) -> None:
    folder = written(tmp_path, **CUT)
    whole = (folder / LEDGER).read_bytes()
    (folder / LEDGER).write_bytes(whole.replace(b"CPEN", b"CP--", 1))
    with pytest.raises(CannotGoOn, match="is damaged in line 5: the row does not pass its check"):
        continued(folder)
    (folder / LEDGER).write_bytes(HEADING + whole[len(HEADING) + 2 * ROW_BYTES :])
    with pytest.raises(CannotGoOn, match="its rows of the cycles 1 to 10 were changed, taken out or put in"):
        continued(folder)


def test_a_sealed_ledger_must_be_the_one_that_was_sealed(tmp_path: Path) -> None:
    folder = written(tmp_path, upto=25)
    ledger = folder / LEDGER
    ledger.write_bytes(ledger.read_bytes() + b"     26")
    with pytest.raises(CannotGoOn, match="is not the one that was sealed"):
        continued(folder)


def test_without_cycles_or_record_there_is_nothing_to_go_on_with(tmp_path: Path) -> None:
    with pytest.raises(NoRecord):
        continued(tmp_path)
    written(tmp_path, upto=0, ended=False, sealed=False)
    journal = tmp_path / FIRST / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(line for line in lines[:5]))
    with pytest.raises(CannotGoOn, match="had no cycle: there is nothing to go on with"):
        continued(tmp_path / FIRST)
