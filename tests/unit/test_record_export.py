import csv
import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from orchestrator.record.captures import read_capture
from orchestrator.record.export import capture_csv, tables, write_bundle, write_tables
from orchestrator.record.reader import read_run
from orchestrator.record.verify import verify
from tests.golden.invented_run import Plan, invented_store

PLAN = Plan(shots=3, verification_shots=1, samples=60, specimen="=TW-04", invalid_shot=2)


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return tables(read_run(invented_store(PLAN)))


def test_the_tables_open_in_a_spreadsheet(made: dict[str, bytes]) -> None:
    for data in made.values():
        assert data.startswith(b"\xef\xbb\xbf")
        assert data.count(b"\r\n") == data.count(b"\n")


def test_shots_have_their_units_in_the_heading_and_full_precision(made: dict[str, bytes]) -> None:
    table = rows(made["shots.csv"])
    duty = [row for row in table if row["part"] == "duty"]
    assert [row["shot"] for row in duty] == ["1", "2", "3"]
    assert float(duty[0]["limiting voltage [V]"]) == pytest.approx(284.8, rel=1e-12)
    assert float(duty[0]["limiting voltage, expanded uncertainty U [V]"]) == pytest.approx(2.9904, rel=1e-9)
    assert float(duty[2]["leakage [A]"]) == pytest.approx(1.123e-4)
    assert float(duty[1]["interval [s]"]) == pytest.approx(44.4)


def test_an_invalid_shot_has_empty_cells_and_says_why(made: dict[str, bytes]) -> None:
    row = next(row for row in rows(made["shots.csv"]) if row["part"] == "duty" and row["shot"] == "2")
    assert row["limiting voltage [V]"] == ""
    assert row["valid"] == "no"
    assert "clipped" in row["not valid because"]


def test_a_text_is_never_taken_for_a_formula(made: dict[str, bytes]) -> None:
    assert all(row["specimen"] == "'=TW-04" for data in made.values() for row in rows(data))


def test_verdicts_and_measurements_are_complete(made: dict[str, bytes]) -> None:
    verdicts = rows(made["verdicts.csv"])
    assert [row["clause"] for row in verdicts] == ["house 4.1", "house 4.2", "house 4.3", "house 4.4"]
    assert (verdicts[0]["limit"], verdicts[0]["unit"], verdicts[0]["verdict"]) == ("310", "V", "P")
    measured = rows(made["measurements.csv"])
    assert [row["result"] for row in measured] == ["initial leakage", "leakage", "leakage", "leakage"]


def test_a_capture_becomes_columns_with_units() -> None:
    store = invented_store(PLAN)
    capture = read_capture(store.read("captures/duty-01.h5"))
    table = rows(capture_csv(capture))
    assert list(table[0]) == ["time [us]", "current [A]", "voltage [V]"]
    assert len(table) == 60
    assert float(table[0]["time [us]"]) == pytest.approx(-8.0)
    values = [float(row["voltage [V]"]) for row in table]
    assert np.allclose(values, capture.channels["voltage"].values(), rtol=1e-6)


def test_tables_and_captures_are_written(tmp_path: Path) -> None:
    made = write_tables(read_run(invented_store(PLAN)), tmp_path / "out")
    assert sorted(path.relative_to(tmp_path / "out").as_posix() for path in made) == [
        "captures/duty-01.csv",
        "captures/duty-02.csv",
        "captures/duty-03.csv",
        "captures/open-circuit-01.csv",
        "captures/short-circuit-01.csv",
        "measurements.csv",
        "shots.csv",
        "verdicts.csv",
    ]


def test_a_bundle_holds_the_record_as_it_is_and_verifies_when_unpacked(tmp_path: Path) -> None:
    record = read_run(invented_store(PLAN))
    write_bundle(record, tmp_path / "a.zip", [{"kind": "seal", "sha256": "ab" * 32}])
    write_bundle(record, tmp_path / "b.zip", [{"kind": "seal", "sha256": "ab" * 32}])
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as bundle:
        bundle.extractall(tmp_path / "out")
    assert verify(tmp_path / "out" / PLAN.run, None).ok
    assert "ab" * 32 in (tmp_path / "out" / "README.txt").read_text()
    assert (tmp_path / "out" / "tables" / "shots.csv").is_file()
