"""Reading a ledger: every row checked and turned into arrays at once, without a step a row."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.record.ledger_rows import (
    COLUMNS,
    FIGURES,
    FINDINGS,
    HEADING,
    HIGHEST_MOUNT,
    ROW_BYTES,
    whole_bytes,
)

Array = NDArray[Any]
HEADING_LINES = HEADING.count(b"\n")
_AT_ONCE = 1 << 15  # rows: what fits into the caches
_CHECKED = ROW_BYTES - 9  # bytes of a row before its CRC
_ENDS = np.cumsum([width + 1 for _, width in COLUMNS]) - 1
_FIELDS = [slice(int(end) - width, int(end)) for end, (_, width) in zip(_ENDS, COLUMNS, strict=True)]
_HEX = np.frombuffer(b"0123456789abcdef", np.uint8)
_DASH = ord("-")


@dataclass(frozen=True)
class Gap:
    """No row between the cycles `after` and `before` of these mounts."""

    after: int
    before: int
    mounts: tuple[int, ...]


@dataclass(frozen=True)
class LedgerRows:
    """The rows of a ledger as arrays (n,), in the order of the file.

    `figures` holds the columns of `FIGURES` by name in SI units, not a number where there is none; `supply` is a part
    of its rated value. `torn` are the bytes behind the last whole row: no part of the record.
    """

    cycle: Array
    t_s: Array
    bank: Array
    mount: Array
    position: Array
    electrical: Array
    counted: Array
    finding: Array
    figures: dict[str, Array]
    supply: Array
    torn: bytes
    gaps: tuple[Gap, ...]

    def __len__(self) -> int:
        return len(self.cycle)


@dataclass(frozen=True)
class RowFinding:
    """What is wrong in one line of the file, from 1."""

    line: int
    what: str

    def __str__(self) -> str:
        return f"is damaged in line {self.line}: {self.what}"


@dataclass(frozen=True)
class Examined:
    """The rows that hold, and what does not."""

    rows: LedgerRows
    findings: tuple[RowFinding, ...]


def examine(data: bytes) -> Examined:
    """Read a ledger as far as it can be read. Never raises."""
    whole = whole_bytes(data)
    torn = data[whole:]
    if whole and not data.startswith(HEADING):
        return Examined(
            _rows(np.empty((0, ROW_BYTES), np.uint8), data),
            (RowFinding(1, "is not the heading of a ledger, or was changed"),),
        )
    begins = len(HEADING) if whole else 0
    table = np.frombuffer(data, np.uint8, whole - begins, begins).reshape(-1, ROW_BYTES)
    holds = _holding(table)
    good = table if holds.all() else table[holds]
    rows = _rows(good, torn)
    lines = np.flatnonzero(holds) + HEADING_LINES + 1
    findings = [*_not_holding(holds), *_out_of_order(rows, lines)]
    return Examined(rows, tuple(sorted(findings, key=lambda found: found.line)))


def _not_holding(holds: Array) -> Iterator[RowFinding]:
    bad = np.flatnonzero(~holds)
    if len(bad):
        more = f", nor do {len(bad) - 1} rows after it" if len(bad) > 1 else ""
        yield RowFinding(int(bad[0]) + HEADING_LINES + 1, f"the row does not pass its check{more}")


def _out_of_order(rows: LedgerRows, lines: Array) -> Iterator[RowFinding]:
    """Rows must follow each other by cycle, and by mount within a cycle; none comes twice."""
    key = rows.cycle * (HIGHEST_MOUNT + 1) + rows.mount
    if not (np.diff(key) <= 0).any():
        return
    seen, first = np.unique(key, return_index=True)
    again = np.ones(len(key), bool)
    again[first] = False
    for place in np.flatnonzero(again)[:1]:
        earlier = lines[first[np.searchsorted(seen, key[place])]]
        what = f"cycle {rows.cycle[place]} of mount {rows.mount[place]} comes twice, first in line {earlier}"
        yield RowFinding(int(lines[place]), what)
    for place in np.flatnonzero(np.diff(key) < 0)[:1]:
        what = f"cycle {rows.cycle[place + 1]} stands after cycle {rows.cycle[place]}"
        yield RowFinding(
            int(lines[place + 1]), f"{what}, mount {rows.mount[place + 1]} after {rows.mount[place]}"
        )


def joined(parts: Sequence[LedgerRows]) -> LedgerRows:
    """The rows of several ledgers, one behind the other, as if they were one."""
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in (
            "cycle",
            "t_s",
            "bank",
            "mount",
            "position",
            "electrical",
            "counted",
            "finding",
            "supply",
        )
    }
    figures = {name: np.concatenate([part.figures[name] for part in parts]) for name in FIGURES}
    gaps = _gaps(columns["cycle"], columns["mount"])
    return LedgerRows(**columns, figures=figures, torn=parts[-1].torn, gaps=gaps)


# ---- checks


@cache
def _crc_tables() -> Array:
    """(bytes of a row, 256): what one byte at one place adds to the CRC-32 of a row; the CRC is linear over XOR."""
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ np.uint32(0xEDB88320), table >> 1)
    tables = np.empty((_CHECKED, 256), np.uint32)
    tables[-1] = table
    for place in range(_CHECKED - 2, -1, -1):
        tables[place] = table[tables[place + 1] & 0xFF] ^ (tables[place + 1] >> 8)
    return tables


def _crc32(columns: Array) -> Array:
    """CRC-32 of each row, from its bytes as columns (bytes, n)."""
    crc = np.full(columns.shape[1], zlib.crc32(bytes(_CHECKED)), np.uint32)
    for table, column in zip(_crc_tables(), columns, strict=False):
        crc ^= table[column]
    return crc


def _holding(table: Array) -> Array:
    """Whether each row passes its check and ends in a line end."""
    holds = np.empty(len(table), bool)
    for begin in range(0, len(table), _AT_ONCE):
        columns = np.ascontiguousarray(table[begin : begin + _AT_ONCE].T)
        crc = _crc32(columns)
        good = columns[-1] == ord("\n")
        for place in range(8):
            good &= columns[_CHECKED + place] == _HEX[(crc >> np.uint32(28 - 4 * place)) & 15]
        holds[begin : begin + _AT_ONCE] = good
    return holds


# ---- columns


def _rows(table: Array, torn: bytes) -> LedgerRows:
    parts = [_parsed(table[begin : begin + _AT_ONCE]) for begin in range(0, max(len(table), 1), _AT_ONCE)]
    cycle, t_s, bank, mount, position, electrical, counted, finding, *figures, supply = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    named = dict(zip(FIGURES, figures, strict=True))
    gaps = _gaps(cycle, mount)
    return LedgerRows(
        cycle, t_s, bank, mount, position, electrical, counted, finding, named, supply, torn, gaps
    )


def _parsed(table: Array) -> list[Array]:
    """The columns of some rows, in the order of `LedgerRows`."""
    columns = np.ascontiguousarray(table.T)
    cycle, t_s, bank, mount, flags, finding, *figures, supply, _ = (columns[field] for field in _FIELDS)
    scales = [scale for scale, _ in FIGURES.values()]
    return [
        _whole(cycle),
        _whole(np.delete(t_s, -3, axis=0)) / 100.0,
        _whole(bank).astype(np.uint8),
        np.minimum(_whole(mount), HIGHEST_MOUNT).astype(np.uint8),
        *(flags[place] != _DASH for place in (1, 2, 3)),
        np.minimum(_whole(finding), len(FINDINGS) - 1).astype(np.uint8),
        *(_measured(figure) / scale for figure, scale in zip(figures, scales, strict=True)),
        _measured(supply) / 1000.0,
    ]


def _whole(field: Array) -> Array:
    """The number that each row has in a field (width, n)."""
    digits = field - np.uint8(48)
    value = np.zeros(field.shape[1], np.int64)
    for digit in digits:
        value *= 10
        value += np.where(digit < 10, digit, 0)
    return value


def _measured(field: Array) -> Array:
    """The same for a figure: with its sign, not a number where there is none."""
    value = _whole(field).astype(float)
    dash = (field == _DASH).any(axis=0)
    if dash.any():
        value[dash] *= -1.0
        value[dash & (field[-1] == _DASH)] = np.nan
    return value


def _gaps(cycle: Array, mount: Array) -> tuple[Gap, ...]:
    found: dict[tuple[int, int], list[int]] = {}
    for one in np.unique(mount):
        own = cycle[mount == one]
        for place in np.flatnonzero(np.diff(own) > 1):
            found.setdefault((int(own[place]), int(own[place + 1])), []).append(int(one))
    return tuple(Gap(after, before, tuple(mounts)) for (after, before), mounts in sorted(found.items()))
