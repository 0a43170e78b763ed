"""`record verify` of an endurance run: every row, its order, the segments in the journal, and the seal."""

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_rows import HEADING, ROW_BYTES
from orchestrator.record.store import FolderStore, MemoryStore
from orchestrator.record.verify import Verification, verify
from tests.endurance_records import Endurance, Plan

FINDINGS = {(7, 2): "fail_to_make", (9, 1): "supply_dip"}


@cache
def files(**plan: Any) -> dict[str, bytes]:
    store = MemoryStore()
    Endurance(Plan(findings=FINDINGS, **plan), store).write()
    return {name: store.read(name) for name in store.names()}


def looked_at(files: dict[str, bytes]) -> Verification:
    store = MemoryStore()
    for name, data in files.items():
        store.create(name, data)
    return verify(store, None)


def test_a_whole_record_holds() -> None:
    found = looked_at(files())
    assert (found.ok, found.findings) == (True, [])
    assert found.checked[LEDGER].startswith(
        "80 rows, each by its own check; segment hashes in the journal; as sealed"
    )


@settings(deadline=None, max_examples=80)
@given(st.integers(0, len(files()[LEDGER]) - 1), st.integers(1, 255), st.booleans())
def test_any_changed_byte_of_the_ledger_is_found(place: int, change: int, sealed: bool) -> None:
    """Also without a seal: by the row's own check, or by the hash of its segment."""
    data = bytearray(files(sealed=sealed)[LEDGER])
    data[place] ^= change
    found = looked_at(files(sealed=sealed) | {LEDGER: bytes(data)})
    assert not found.ok
    assert any(finding.file == LEDGER and finding.weight == "wrong" for finding in found.findings)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 79), st.integers(1, 80), st.booleans())
def test_rows_that_are_taken_out_are_found(first: int, many: int, sealed: bool) -> None:
    data = files(sealed=sealed)[LEDGER]
    begin, end = (len(HEADING) + place * ROW_BYTES for place in (first, first + many))
    found = looked_at(files(sealed=sealed) | {LEDGER: data[:begin] + data[end:]})
    assert any(finding.file == LEDGER and finding.weight == "wrong" for finding in found.findings)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 79), st.integers(0, 80), st.booleans())
def test_a_row_that_comes_twice_is_found(source: int, target: int, sealed: bool) -> None:
    data = files(sealed=sealed)[LEDGER]
    begin, place = len(HEADING) + source * ROW_BYTES, len(HEADING) + target * ROW_BYTES
    doubled = data[:place] + data[begin : begin + ROW_BYTES] + data[place:]
    found = looked_at(files(sealed=sealed) | {LEDGER: doubled})
    assert any("comes twice" in finding.what for finding in found.findings)


def test_an_interrupted_run_says_what_its_rows_rest_on() -> None:
    data = files(upto=25, ended=False, sealed=False, energised_at_the_end=True)
    found = looked_at(data | {LEDGER: data[LEDGER] + b"     26   ", "cycles.txt.torn-1": b"     12"})
    assert not [finding for finding in found.findings if finding.weight == "wrong"]
    assert sorted(str(finding) for finding in found.findings) == [
        "cycles.txt.torn-1: holds torn bytes that stood behind a last whole row of cycles.txt",
        "cycles.txt:45: 10 rows behind the last segment in the journal are held by their own checks alone",
        "cycles.txt:55: 10 torn bytes behind the last whole row are kept aside, no part of the record",
    ]


def test_a_missing_ledger_is_found() -> None:
    without = {name: data for name, data in files(sealed=False).items() if name != LEDGER}
    assert any(
        "is missing: line" in finding.what and "began cycles" in finding.what
        for finding in looked_at(without).findings
    )


@pytest.mark.parametrize(
    ("findings", "what"),
    [
        ({(7, 2): "fail_to_make"}, "has ok for cycle 9 of mount 1"),
        (FINDINGS | {(31, 2): "fail_to_make"}, "has 38 confirmed cycles of mount 2 up to cycle 40"),
    ],
)
def test_a_ledger_of_other_counts_than_the_journal_tells_is_found(
    tmp_path: Path, findings: dict[tuple[int, int], str], what: str
) -> None:
    other = MemoryStore()
    Endurance(Plan(findings=findings), other).write()
    store = FolderStore(tmp_path)
    for name, data in files(sealed=False).items():
        store.create(name, other.read(LEDGER) if name == LEDGER else data)
    assert any(what in finding.what for finding in verify(tmp_path, None).findings)
