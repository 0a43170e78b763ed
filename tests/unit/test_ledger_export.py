"""What is exported of an endurance run: the ledger as a table, anomalies, measurements by mount, the sheet."""

import csv
import io
import zipfile
from pathlib import Path
from typing import Any

import pytest

from orchestrator.record.export import tables, write_bundle
from orchestrator.record.reader import RunRecord, read_run
from orchestrator.record.store import MemoryStore
from orchestrator.record.wording import (
    clause_words,
    limit_words,
    row_unit,
    row_value,
    rule_words,
    shots_words,
)
from tests.endurance_records import Endurance, Plan


def record(**plan: Any) -> RunRecord:
    store = MemoryStore()
    findings = {(7, 2): "fail_to_make", (9, 1): "supply_dip"}
    Endurance(Plan(findings=findings, **plan), store).write()
    return read_run(store)


def read_csv(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))


def test_the_ledger_as_a_table() -> None:
    made = tables(record())
    assert list(made) == ["cycles.csv", "anomalies.csv", "verdicts.csv", "measurements.csv"]
    rows = read_csv(made["cycles.csv"])
    assert len(rows) == 80
    bad = next(row for row in rows if (row["cycle"], row["mount"]) == ("7", "2"))
    assert (bad["finding"], bad["electrically confirmed"], bad["counts on the specimen"]) == (
        "fail_to_make",
        "no",
        "yes",
    )
    assert bad["make time [s]"] == ""
    assert 0.0028 < float(rows[0]["make time [s]"]) < 0.0032
    assert float(rows[0]["supply [1]"]) == 0.998
    assert (rows[0]["run"], rows[0]["world"], rows[2]["time since the run began [s]"]) == (
        "20260305-0914-WG-01",
        "real",
        "10.0",
    )


def test_anomalies_and_measurements_have_their_mount_and_cycle() -> None:
    made = tables(record())
    assert [
        (row["cycle"], row["mount"], row["finding"], row["counts on the specimen"])
        for row in read_csv(made["anomalies.csv"])
    ] == [("7", "2", "fail to make", "yes"), ("9", "1", "supply dip", "no")]
    measured = read_csv(made["measurements.csv"])
    assert [(row["mount"], row["cycle"]) for row in measured][:4] == [
        ("1", "0"),
        ("2", "0"),
        ("1", "10"),
        ("2", "10"),
    ]


def test_the_bundle_holds_the_ledger_as_it_is(tmp_path: Path) -> None:
    one = record()
    write_bundle(one, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as bundle:
        assert bundle.read(f"{one.run}/cycles.txt") == one.files.read("cycles.txt")
        assert "cycles.txt             the ledger" in bundle.read("README.txt").decode()


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"limit": 0.0, "unit": "1", "judged": "count", "direction": "at_most"}, "at most 0"),
        ({"limit": 3.0, "unit": "1", "result": "bounce_count", "direction": "at_most"}, "at most 3"),
        (
            {"limit": 0.07, "unit": "1", "judged": "change first to last", "direction": "at_most"},
            "at most 7 %",
        ),
        (
            {"limit": 60.0, "at_least": 38.0, "unit": "N", "direction": "at_most"},
            "at least 38 N, at most 60 N",
        ),
    ],
)
def test_counts_are_plain_numbers_and_ranges_have_both_bounds(row: dict[str, Any], words: str) -> None:
    assert limit_words(row) == words
    assert row_unit({"unit": "V"}) == "V"
    assert clause_words({"clause": "house 5.1", "mount": 3}) == "house 5.1, mount 3"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"value": 1.0, "unit": "1", "judged": "count", "expanded_uncertainty": 0.0}, "1"),
        ({"value": 0.05, "unit": "1", "judged": "change first to last"}, "5.000 %"),
        ({"value": 0.081, "unit": "V", "expanded_uncertainty": 0.004}, "81.0 ± 4.0 mV"),
        ({"value": None, "unit": "V"}, ""),
    ],
)
def test_the_value_of_a_verdict(row: dict[str, Any], words: str) -> None:
    assert row_value(row) == words


def test_very_many_cycles_are_not_listed_one_by_one() -> None:
    assert shots_words(range(0, 42_000, 2000)) == "21 from 0 to 40000"
    assert shots_words([1, 2, 3, 7]) == "1 to 3, 7"
    assert rule_words({"rule": None, "must_be": None}) == "as counted"
