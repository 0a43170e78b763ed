"""The ledger as it is written: rows, widths, durability, and opening it again."""

import hashlib
import math
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.record import ledger_rows
from orchestrator.record.ledger import LEDGER, Ledger
from orchestrator.record.ledger_rows import FIGURES as FIGURE_COLUMNS
from orchestrator.record.ledger_rows import HEADING, ROW_BYTES
from orchestrator.record.store import FolderStore, MemoryStore, StorageFault, Store

MAKERS: dict[str, Callable[[Path], Store]] = {
    "folder": lambda path: FolderStore(path / "run"),
    "memory": lambda path: MemoryStore(),
}
FIGURES = np.array([[0.0031234], [0.0023], [3.0], [9.1], [3.61], [0.0812], [0.0021], [0.0013]])


@pytest.fixture(params=MAKERS)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    return MAKERS[request.param](tmp_path)


def write(ledger: Ledger, cycle: int, mounts: int = 1, code: int = 0, **more: Any) -> None:
    arguments = {
        "confirmed": "CP",
        "active": np.ones(mounts, bool),
        "matrix": np.tile(FIGURES, (1, mounts)),
    } | more
    ledger.append_cycle(cycle, 1, 5.0 * cycle, codes=np.full(mounts, code, np.uint8), **arguments)


def rows_of(store: Store) -> list[bytes]:
    data = store.read(LEDGER)
    assert data.startswith(HEADING)
    return data[len(HEADING) :].splitlines(keepends=True)


def test_a_row_as_a_person_reads_it() -> None:
    store = MemoryStore()
    write(Ledger(store), 31417, supply=0.998)
    row = b"  31417  157085.00  1  1 CPEN  0   3123  2300  3   9100   3610     8120   2100  1300  998 "
    assert rows_of(store) == [row + b"%08x\n" % zlib.crc32(row)]
    assert len(rows_of(store)[0]) == ROW_BYTES <= 100


def test_a_column_heading_stands_over_its_column() -> None:
    store = MemoryStore()
    write(Ledger(store), 7)
    heading, row = (line.decode() for line in (HEADING.splitlines()[-1], rows_of(store)[0].rstrip()))
    assert ends_of_words(heading.replace("# cycle", "  cycle")) == ends_of_words(row)


def ends_of_words(text: str) -> list[int]:
    return [found.end() for found in re.finditer(r"\S+", text)]


def test_what_was_not_seen_is_a_dash_and_what_is_too_wide_the_widest_number() -> None:
    store = MemoryStore()
    ledger = Ledger(store)
    wide = np.array([[math.nan], [1.0], [1e4], [math.inf], [-1e9], [1e6], [-1.0], [math.nan]])
    write(ledger, 1, code=1, matrix=wide)
    write(ledger, 2, code=9, matrix=None)
    first, second = (row.decode().split()[6:14] for row in rows_of(store))
    assert first == ["-", "99999", "99", "999999", "-99999", "99999999", "-99999", "-"]
    assert second == ["-"] * 8
    assert {len(row) for row in rows_of(store)} == {ROW_BYTES}


@pytest.mark.parametrize(
    ("confirmed", "code", "flags"),
    [
        ("CP", 0, "CPEN"),
        ("CP", 1, "CP-N"),
        ("CP", 3, "CP-N"),
        ("CP", 7, "CP--"),
        ("C", 8, "C---"),
        ("CP", 9, "CP--"),
    ],
)
def test_what_is_confirmed_and_what_counts_on_the_specimen(confirmed: str, code: int, flags: str) -> None:
    store = MemoryStore()
    write(Ledger(store), 1, code=code, confirmed=confirmed)
    assert rows_of(store)[0].decode().split()[4] == flags


def test_only_mounts_that_take_part_have_a_row() -> None:
    store = MemoryStore()
    write(Ledger(store), 1, mounts=4, active=np.array([True, False, False, True]))
    assert [row.decode().split()[3] for row in rows_of(store)] == ["1", "4"]


def test_a_cycle_of_many_mounts_is_one_write_and_one_sync() -> None:
    acts: list[str] = []
    store = MemoryStore(lambda act, name: acts.append(act))
    ledger = Ledger(store)
    acts.clear()
    write(ledger, 1, mounts=64)
    assert acts == ["write", "sync"]
    assert len(rows_of(store)) == 64


def test_a_cycle_is_never_written_twice(store: Store) -> None:
    ledger = Ledger(store)
    write(ledger, 5)
    with pytest.raises(ValueError, match="cycle 5 does not come after cycle 5"):
        write(ledger, 5)
    ledger.close()
    with pytest.raises(ValueError, match="after the end of the ledger"):
        write(ledger, 6)


def test_the_hash_of_a_segment_is_that_of_its_rows(store: Store) -> None:
    ledger = Ledger(store)
    for cycle in range(31_418, 31_430):
        write(ledger, cycle, mounts=2)
    whole = ledger.segment_hash(31_418, 31_429)
    for cycle in range(31_430, 31_434):
        write(ledger, cycle, mounts=2)
    rows = rows_of(store)
    assert whole == hashlib.sha256(b"".join(rows[:24])).hexdigest()
    assert ledger.segment_hash(31_430, 31_433) == hashlib.sha256(b"".join(rows[24:])).hexdigest()
    assert ledger.segment_hash(31_420, 31_421) == hashlib.sha256(b"".join(rows[4:8])).hexdigest()
    assert ledger.segment_hash(31_418, 31_433) == hashlib.sha256(b"".join(rows)).hexdigest()
    assert ledger.segment_hash(31_434, 31_440) == hashlib.sha256().hexdigest()


def test_a_segment_that_does_not_reach_the_last_row_leaves_it_out() -> None:
    store = MemoryStore()
    ledger = Ledger(store)
    for cycle in (1, 2, 3):
        write(ledger, cycle)
    assert ledger.segment_hash(1, 2) == hashlib.sha256(b"".join(rows_of(store)[:2])).hexdigest()
    assert ledger.segment_hash(1, 3) == hashlib.sha256(b"".join(rows_of(store))).hexdigest()


def test_a_ledger_opened_again_goes_on_behind_its_last_whole_row(store: Store) -> None:
    write(Ledger(store), 1, mounts=2)
    store.append(LEDGER, b"      2      10.0")
    again = Ledger(store)
    assert again.last_cycle == 1
    assert again.torn_file == "cycles.txt.torn-1"
    assert store.read("cycles.txt.torn-1") == b"      2      10.0"
    write(again, 2, mounts=2)
    assert again.segment_hash(1, 2) == hashlib.sha256(b"".join(rows_of(store))).hexdigest()
    assert [int(row[:7]) for row in rows_of(store)] == [1, 1, 2, 2]


def test_a_torn_heading_is_written_anew(store: Store) -> None:
    store.append(LEDGER, HEADING[:100])
    assert Ledger(store).torn_file == "cycles.txt.torn-1"
    assert store.read(LEDGER) == HEADING


def test_another_file_under_its_name_is_never_cut_or_written_on(store: Store) -> None:
    store.append(LEDGER, b"cycle;mount\n1;1\n")
    with pytest.raises(StorageFault, match="line 1: is not the heading of a ledger, or was changed"):
        Ledger(store)
    assert store.read(LEDGER) == b"cycle;mount\n1;1\n"


def test_a_row_that_was_not_made_durable_was_not_taken() -> None:
    store = MemoryStore()
    ledger = Ledger(store)
    write(ledger, 1)

    def fails(act: str, name: str) -> None:
        raise OSError(5, "Input/output error")

    store.point = fails
    with pytest.raises(StorageFault, match="Input/output error"):
        write(ledger, 2)
    assert ledger.last_cycle == 1


finite = st.floats(-200.0, 2e5) | st.sampled_from([0.5, 1.5, -0.4, 99_999.4, 99_999.6, math.nan, math.inf])


@settings(deadline=None, max_examples=80)
@given(st.lists(finite, min_size=40, max_size=40), st.lists(st.booleans(), min_size=5, max_size=5))
def test_rows_formatted_together_are_the_rows_formatted_one_by_one(
    values: list[float], takes: list[bool]
) -> None:
    scales = np.array([[scale] for scale, _ in FIGURE_COLUMNS.values()])
    figures, active = np.array(values).reshape(8, 5) / scales, np.array(takes)
    together, alone = MemoryStore(), MemoryStore()
    write(Ledger(together), 1, mounts=5, matrix=figures, active=active)
    writing = Ledger(alone)
    for place in np.flatnonzero(active):
        shared = ledger_rows.shared_text(1, 5.0, 1)
        scaled = (figures * scales)[:, place].tolist()
        line = ledger_rows.row(shared, int(place) + 1, b"CPEN", 0, scaled, ledger_rows.supply_text(math.nan))
        alone.append(writing.name, line)
    assert rows_of(together) == rows_of(alone) if active.any() else together.read(LEDGER) == HEADING


def test_findings_and_figures_are_those_of_the_analysis_and_the_engine() -> None:
    """The numbers of the findings are a file format: the analysis may not change them without a new version."""
    from orchestrator.analysis import diagnosis
    from orchestrator.engine import digest

    assert tuple(diagnosis.FINDINGS) == ledger_rows.FINDINGS
    assert {"ok", *diagnosis.MALFUNCTIONS} == ledger_rows.COUNTED
    assert list(FIGURE_COLUMNS) == list(digest.FIGURES)
