"""The ledger against the journal: every intermediate measurement wrote the hash of the rows before it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from orchestrator.record.chain import sha256_hex
from orchestrator.record.ledger_rows import HEADING, ROW_BYTES
from orchestrator.record.ledger_table import LedgerRows


def check_segments(segments: Iterable[Mapping[str, Any]], rows: LedgerRows, data: bytes) -> Iterator[str]:
    """What is wrong with the segments that the journal names, one sentence each; nothing where all hold.

    `rows` are those of `data`, and all of them hold by themselves.
    """
    for entry in segments:
        first, last = int(entry["first"]), int(entry["last"])
        begin, end = np.searchsorted(rows.cycle, (first, last + 1))
        bytes_of = data[len(HEADING) + begin * ROW_BYTES : len(HEADING) + end * ROW_BYTES]
        if sha256_hex(bytes_of) != entry.get("ledger_sha256"):
            yield (
                f"is not what line {entry.get('n')} of the journal says: its rows of the cycles {first} to {last} were "
                "changed, taken out or put in"
            )


def checked_up_to(segments: Iterable[Mapping[str, Any]]) -> int:
    """The last cycle whose row a segment in the journal holds; 0 where there is none."""
    return max((int(entry["last"]) for entry in segments), default=0)
