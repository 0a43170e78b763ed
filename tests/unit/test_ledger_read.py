"""Reading a ledger: what was written comes back, and what was changed is found."""

import math
import zlib
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.record.ledger import LEDGER, Ledger, LedgerDamaged, count, read
from orchestrator.record.ledger_rows import FIGURES, FINDINGS, HEADING, ROW_BYTES
from orchestrator.record.ledger_table import HEADING_LINES, Gap, examine
from orchestrator.record.store import MemoryStore

figure = st.floats(-9.0, 9.0) | st.just(math.nan)
cycles = st.lists(
    st.tuples(
        st.integers(1, 3),  # how far behind the cycle before
        st.integers(0, 16),
        st.sampled_from(("C", "CP")),
        st.lists(st.booleans(), min_size=3, max_size=3),
        st.lists(st.integers(0, len(FINDINGS) - 1), min_size=3, max_size=3),
        st.lists(figure, min_size=24, max_size=24),
        st.floats(0.0, 1.5) | st.just(math.nan),
    ),
    max_size=12,
)


@settings(deadline=None, max_examples=60)
@given(cycles)
def test_what_was_written_comes_back(
    drawn: list[tuple[int, int, str, list[bool], list[int], list[float], float]],
) -> None:
    store, cycle = MemoryStore(), 0
    ledger, expected = Ledger(store), []
    scales = np.array([scale for scale, _ in FIGURES.values()])
    for step, bank, confirmed, active, codes, values, supply in drawn:
        cycle += step
        matrix = np.array(values).reshape(8, 3) * (1e-3 / scales[:, None] * 1e3)
        ledger.append_cycle(
            cycle, bank, 5.0 * cycle, confirmed, np.array(active), np.array(codes, np.uint8), matrix, supply
        )
        for place in np.flatnonzero(active):
            expected.append(
                (cycle, bank, place + 1, "P" in confirmed, codes[place], matrix[:, place], supply)
            )
    rows = read(store.read(LEDGER))
    assert len(rows) == len(expected)
    for place, (cycle, bank, mount, position, code, figures, supply) in enumerate(expected):
        assert (rows.cycle[place], rows.bank[place], rows.mount[place]) == (cycle, bank, mount)
        assert (rows.position[place], rows.finding[place]) == (position, code)
        assert rows.t_s[place] == 5.0 * cycle
        read_back = np.array([rows.figures[name][place] for name in FIGURES])
        assert np.allclose(read_back * scales, figures * scales, rtol=0, atol=0.5001, equal_nan=True)
        assert np.allclose(rows.supply[place], supply, rtol=0, atol=0.0005001, equal_nan=True)


@cache
def invented(cycles: int = 9, mounts: int = 3) -> bytes:
    """A ledger of some cycles; the third of them is a failure to make of the second mount."""
    store = MemoryStore()
    ledger = Ledger(store)
    chance = np.random.default_rng(7)
    for cycle in range(1, cycles + 1):
        codes = np.zeros(mounts, np.uint8)
        if mounts > 1 and cycle == 3:
            codes[1] = 1
        matrix = chance.uniform(0.001, 0.009, (8, mounts))
        ledger.append_cycle(
            cycle, 1 + cycle % 4, 5.0 * cycle, "CP", np.ones(mounts, bool), codes, matrix, 1.0
        )
    return store.read(LEDGER)


@settings(deadline=None, max_examples=150)
@given(st.integers(0, len(invented()) - 1), st.integers(1, 255))
def test_any_changed_byte_is_found(place: int, change: int) -> None:
    data = bytearray(invented())
    data[place] ^= change
    found = examine(bytes(data))
    if data[place] == 0 and place >= len(
        HEADING
    ):  # zeros at the end: as a disk leaves them after a power cut
        assert found.rows.torn
        return
    line = 1 if place < len(HEADING) else HEADING_LINES + 1 + (place - len(HEADING)) // ROW_BYTES
    assert [finding.line for finding in found.findings][:1] == [line]
    with pytest.raises(LedgerDamaged, match=rf"cycles\.txt:{line}: "):
        read(bytes(data))


@settings(deadline=None, max_examples=60)
@given(st.integers(0, len(invented()) - 1), st.integers(1, 3 * ROW_BYTES))
def test_bytes_cut_out_of_the_midst_are_found(place: int, length: int) -> None:
    """Whole rows that are gone leave no mark here; their segment's hash in the journal finds them."""
    data = invented()
    found = examine(data[:place] + data[place + length :])
    whole_rows = place >= len(HEADING) and length % ROW_BYTES == 0
    to_the_end = place + length >= len(data)
    assert len(found.rows) < 27
    assert found.findings or found.rows.torn or whole_rows or (to_the_end and place in row_begins())


def row_begins() -> range:
    return range(len(HEADING), len(invented()) + 1, ROW_BYTES)


@given(st.integers(0, 26), st.integers(0, 26))
def test_a_row_that_comes_twice_is_refused(source: int, target: int) -> None:
    data = invented()
    rows = [data[at : at + ROW_BYTES] for at in range(len(HEADING), len(data), ROW_BYTES)]
    rows.insert(target, rows[source])
    with pytest.raises(LedgerDamaged, match=r"comes twice, first in line|stands after cycle"):
        read(HEADING + b"".join(rows))
    twice = [finding for finding in examine(HEADING + b"".join(rows)).findings if "twice" in finding.what]
    assert len(twice) == 1
    assert f"cycle {source // 3 + 1} of mount {source % 3 + 1} comes twice" in twice[0].what


@given(st.integers(0, 25), st.data())
def test_rows_that_changed_places_are_refused(first: int, data: st.DataObject) -> None:
    second = data.draw(st.integers(first + 1, 26))
    whole = invented()
    rows = [whole[at : at + ROW_BYTES] for at in range(len(HEADING), len(whole), ROW_BYTES)]
    rows[first], rows[second] = rows[second], rows[first]
    with pytest.raises(LedgerDamaged, match="stands after cycle"):
        read(HEADING + b"".join(rows))


def test_a_gap_is_told_with_its_mounts() -> None:
    store = MemoryStore()
    ledger = Ledger(store)
    one, both = np.array([True, False]), np.array([True, True])
    for cycle, active in ((1, both), (2, one), (3, both), (6, both)):
        ledger.append_cycle(cycle, 1, 0.0, "CP", active, np.zeros(2, np.uint8), None)
    assert read(store.read(LEDGER)).gaps == (Gap(1, 3, (2,)), Gap(3, 6, (1, 2)))


def test_torn_bytes_and_zeros_at_the_end_are_no_part_of_it() -> None:
    data = invented()
    for torn in (b"     10   ", bytes(40), b"     10" + bytes(ROW_BYTES), bytes(3 * ROW_BYTES)):
        rows = read(data + torn)
        assert (len(rows), rows.torn) == (27, torn)
    assert read(HEADING[:50]).torn == HEADING[:50]
    assert len(read(HEADING)) == 0


def test_counts_of_each_mount() -> None:
    counted = count(read(invented()))
    assert [(mount, one.confirmed, one.malfunctions, one.last) for mount, one in counted.items()] == [
        (1, 9, 0, 9),
        (2, 8, 1, 9),
        (3, 9, 0, 9),
    ]
    assert counted[2].findings == {"ok": 8, "fail_to_make": 1}


def test_the_check_of_a_row_is_the_crc_of_zlib() -> None:
    """zlib's crc32 (ISO 3309, ITU-T V.42), a row at a time, beside the reading of all rows at once."""
    data = invented()
    for at in range(len(HEADING), len(data), ROW_BYTES):
        assert int(data[at + ROW_BYTES - 9 : at + ROW_BYTES - 1], 16) == zlib.crc32(
            data[at : at + ROW_BYTES - 9]
        )
    assert not examine(data).findings


def sealed_rows(contents: list[bytes]) -> bytes:
    """Rows of any content that pass their own check."""
    rows = [one.ljust(ROW_BYTES - 9, b" ")[: ROW_BYTES - 9] for one in contents]
    return b"".join(b"%b%08x\n" % (row, zlib.crc32(row)) for row in rows)


@settings(deadline=None, max_examples=80)
@given(st.lists(st.binary(max_size=ROW_BYTES), max_size=6), st.binary(max_size=250), st.booleans())
def test_rubbish_is_read_without_an_error_of_ours(contents: list[bytes], behind: bytes, headed: bool) -> None:
    data = (HEADING if headed else b"") + sealed_rows(contents) + behind
    found = examine(data)
    assert len(found.rows) <= len(contents) + 2
    for mount, one in count(found.rows).items():
        assert 0 <= mount <= 64
        assert one.commanded == int((found.rows.mount == mount).sum())
