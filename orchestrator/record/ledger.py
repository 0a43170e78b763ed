"""The ledger of a cyclic duty: what every cycle was, durable before the next one begins.

Writing is here, one write and one sync a cycle for all mounts; the form of a row is in `ledger_rows`, the vectorised
reading in `ledger_table`.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.record.ledger_rows import (
    FIGURES,
    FINDINGS,
    FLAGS,
    HEADING,
    HIGHEST_MOUNT,
    WIDTHS,
    clean_rows,
    row,
    rows_between,
    shared_text,
    supply_text,
    whole_bytes,
)
from orchestrator.record.ledger_table import LedgerRows, examine
from orchestrator.record.store import StorageFault, Store

Array = NDArray[Any]
LEDGER = "cycles.txt"
_SCALES = np.array([[scale] for scale, _ in FIGURES.values()])
_HIGHEST = np.array([[10.0**width - 1] for width in WIDTHS])
_LOWEST = np.array([[1 - 10.0 ** (width - 1)] for width in WIDTHS])
MANY = 4  # mounts, from which on rows are formatted together
_NONE = [math.nan] * len(FIGURES)


class Ledger:
    """Writes the ledger of one run. What an earlier opening of the same file wrote stays, and is written on."""

    def __init__(self, store: Store, name: str = LEDGER) -> None:
        """Raises StorageFault where the file cannot be written, or holds rows that are not whole in its midst."""
        self.name = name
        self._store = store
        self._file = store.appender(name, whole_bytes)
        self.last_cycle = 0
        self._closed = False
        self._begin_segment()
        if name in store.names() and (data := store.read(name)):
            self._go_on(data)
        else:
            self._file.append(HEADING)

    @property
    def torn_file(self) -> str | None:
        """The file that holds the torn bytes found at opening; None where there were none."""
        return self._file.aside

    def append_cycle(
        self,
        cycle: int,
        bank: int,
        t_s: float,
        confirmed: str,
        active: Array,
        codes: Array,
        matrix: Array | None,
        supply: float = math.nan,
    ) -> None:
        """The rows of one cycle, durable when this returns: one write and one sync for all mounts.

        `confirmed` is "C" where the actuator did not do it, "CP" where its position was confirmed. `active` (m,) says
        which mounts took part, `codes` (m,) their findings; `matrix` (8, m) holds `FIGURES` in SI units, not a number
        where there is none, None where nothing was recorded. `supply` is a part of its rated value. Raises
        StorageFault; ValueError for a cycle that is not later than the last one, and after `close`.
        """
        if self._closed:
            raise ValueError(f"cycle {cycle} comes after the end of the ledger")
        if cycle <= self.last_cycle:
            raise ValueError(f"cycle {cycle} does not come after cycle {self.last_cycle}")
        shared, end = shared_text(cycle, t_s, bank), supply_text(supply)
        scaled = None if matrix is None else matrix * _SCALES
        data = b""
        if scaled is not None and len(codes) >= MANY and confirmed == "CP" and not codes.any():
            data = _clean(shared, active, scaled, end)
        if data or (data := _one_by_one(shared, FLAGS[confirmed], active, codes, scaled, end)):
            self._file.append(data)
            self._took(cycle, data)

    def segment_hash(self, first: int, last: int) -> str:
        """SHA-256 over the bytes of all rows of the cycles first to last, in hex; of nothing where there are none.

        The segment that follows the one asked for before is at hand, any other is read from the file.
        """
        if self._segment_end < first <= (self._hashed_from or first) and last >= self.last_cycle:
            digest = self._hash.hexdigest()
            self._begin_segment()
            return digest
        return hashlib.sha256(rows_between(self._store.read(self.name), first, last)).hexdigest()

    def close(self) -> None:
        """Nothing is written after this; the file itself is the store's to close."""
        self._closed = True

    def _begin_segment(self) -> None:
        self._hash = hashlib.sha256()
        self._segment_end = self.last_cycle
        self._hashed_from = 0  # no row yet

    def _took(self, cycle: int, data: bytes) -> None:
        self.last_cycle = cycle
        self._hashed_from = self._hashed_from or cycle
        self._hash.update(data)

    def _go_on(self, data: bytes) -> None:
        found = examine(data)
        if found.findings:
            raise StorageFault(
                self.name, str(found.findings[0]), "Keep it, and give the run a folder of its own."
            )
        if len(found.rows):
            self.last_cycle = int(found.rows.cycle[-1])
            self._begin_segment()


def _clean(shared: bytes, active: Array, scaled: Array, end: bytes) -> bytes:
    """The rows of many mounts of which none has a finding; empty where a figure is missing or too wide."""
    whole = np.rint(scaled)
    if not ((whole <= _HIGHEST) & (whole >= _LOWEST)).all():  # false for what is not a number
        return b""
    mounts = tuple((np.flatnonzero(active) + 1).tolist())
    figures = whole.T[active].astype(np.int64).ravel().tolist()
    return clean_rows(shared, mounts, figures, end)


def _one_by_one(
    shared: bytes, flags: tuple[bytes, ...], active: Array, codes: Array, scaled: Array | None, end: bytes
) -> bytes:
    figures = [_NONE] * len(codes) if scaled is None else scaled.T.tolist()
    rows = zip(active.tolist(), codes.tolist(), figures, strict=True)
    return b"".join(
        [
            row(shared, mount, flags[code], code, own, end)
            for mount, (takes_part, code, own) in enumerate(rows, 1)
            if takes_part
        ]
    )


class LedgerDamaged(Exception):
    """A ledger that is not what was written; the text says which file and line, and what."""


def read(source: Path | str | bytes) -> LedgerRows:
    """All rows of a ledger, from its file or its bytes; a torn end is left out, and named in `LedgerRows.torn`.

    Raises LedgerDamaged for a row that does not pass its check, or a cycle that comes twice or out of order.
    """
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    found = examine(data)
    if found.findings:
        name = LEDGER if isinstance(source, bytes) else str(source)
        raise LedgerDamaged(f"{name}:{found.findings[0].line}: {found.findings[0].what}")
    return found.rows


def count(rows: LedgerRows) -> dict[int, Counted]:
    """The counts of each mount, by its number."""
    mount = rows.mount
    places = HIGHEST_MOUNT + 1
    first, last = np.zeros(places, np.int64), np.zeros(places, np.int64)
    last[mount] = rows.cycle  # the last one written stays
    first[mount[::-1]] = rows.cycle[::-1]
    commanded = np.bincount(mount, minlength=places)
    position = np.bincount(mount[rows.position], minlength=places)
    confirmed = np.bincount(mount[rows.electrical & rows.counted], minlength=places)
    malfunctions = np.bincount(mount[rows.counted & ~rows.electrical], minlength=places)
    kinds = mount.astype(np.int64) * len(FINDINGS) + rows.finding
    found = np.bincount(kinds, minlength=places * len(FINDINGS)).reshape(places, len(FINDINGS))
    return {
        int(one): Counted(
            int(first[one]),
            int(last[one]),
            int(commanded[one]),
            int(position[one]),
            int(confirmed[one]),
            int(malfunctions[one]),
            {name: int(number) for name, number in zip(FINDINGS, found[one], strict=True) if number},
        )
        for one in np.flatnonzero(commanded)
    }


@dataclass(frozen=True)
class Counted:
    """What the ledger holds of one mount: its first and last cycle, and how many were commanded, position-confirmed,
    electrically confirmed on the specimen, and malfunctions; `findings` by name, those that occurred."""

    first: int
    last: int
    commanded: int
    position_confirmed: int
    confirmed: int
    malfunctions: int
    findings: dict[str, int]
