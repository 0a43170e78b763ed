import sqlite3
from pathlib import Path

import pytest

from orchestrator.record.amend import Amender, Author
from orchestrator.record.index import INDEX, Index
from orchestrator.record.seal import Heads
from tests.golden.invented_run import InventedClock, Plan, invented_folder


@pytest.fixture
def data(tmp_path: Path) -> Path:
    for run, specimen in (("r-1", "TW-01"), ("r-2", "TW-02"), ("r-3", "tw-01")):
        invented_folder(tmp_path, Plan(run=run, specimen=specimen, shots=1, verification_shots=1, samples=40))
    return tmp_path


def runs(index: Index, **wanted: str) -> list[str]:
    return [listed.run for listed in index.find(**wanted)]


def test_runs_are_found_by_specimen_instrument_and_sequence(data: Path) -> None:
    index = Index(data)
    assert runs(index) == ["r-1", "r-2", "r-3"]
    assert runs(index, specimen="TW-01") == ["r-1", "r-3"]
    assert runs(index, instrument="TR12-0107") == ["r-1", "r-2", "r-3"]
    assert runs(index, instrument="TR12-0108") == []
    assert runs(index, sequence="5e5e", specimen="tw-02") == ["r-2"]
    assert runs(index, sequence="be") == []
    index.close()


def test_what_a_list_shows_comes_from_the_record(data: Path) -> None:
    [listed] = Index(data).find(specimen="TW-02")
    assert (listed.outcome, listed.verdict, listed.shots_applied, listed.sealed) == ("pass", "P", 1, 1)
    assert (listed.started_by, listed.world, listed.reason) == ("tech-2", "real", "completed")


def test_the_index_follows_the_folders(data: Path) -> None:
    index = Index(data)
    index.find()
    (data / "r-2").rename(data / "r-2-moved")
    Amender(data / "r-1", Heads.of(data), InventedClock()).remark(Author("a", "declared", "b"), "c")
    found = {listed.folder: listed.amendments for listed in index.find()}
    assert found == {"r-1": 1, "r-2-moved": 0, "r-3": 0}


def test_a_rebuilt_index_equals_one_that_grew(data: Path) -> None:
    index = Index(data)
    before = index.find()
    index.rebuild()
    assert index.find() == before


def test_a_damaged_index_is_made_anew(data: Path) -> None:
    (data / INDEX).write_bytes(b"no database " * 1000)
    assert runs(Index(data)) == ["r-1", "r-2", "r-3"]


def test_tables_of_another_version_are_thrown_away(data: Path) -> None:
    with sqlite3.connect(data / INDEX) as other:
        other.executescript("CREATE TABLE runs (x); PRAGMA user_version = 99;")
    other.close()
    assert runs(Index(data)) == ["r-1", "r-2", "r-3"]


def test_a_folder_that_cannot_hold_the_index_is_listed_all_the_same(tmp_path: Path) -> None:
    assert Index(tmp_path / "not there").find() == []
