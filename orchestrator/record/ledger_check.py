"""The ledger against the journal: every intermediate measurement wrote the hash of the rows before it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from orchestrator.record.chain import sha256_hex
from orchestrator.record.ledger_rows import FINDINGS, HEADING, HIGHEST_MOUNT, ROW_BYTES
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


def check_counts(
    begun: Mapping[str, Any], segments: Iterable[Mapping[str, Any]], rows: LedgerRows
) -> Iterator[str]:
    """Where the counts that the journal took at an intermediate measurement are not those of the rows up to there.

    `begun` is the entry that began the cycles, with what the specimens had before this run.
    """
    before = {one.get("mount"): one.get("confirmed") or 0 for one in begun.get("mounts") or []}
    confirmed = rows.electrical & rows.counted
    of_mount = {mount: rows.cycle[confirmed & (rows.mount == mount)] for mount in before}
    for entry in segments:
        for one in entry.get("mounts") or []:
            mount, said = one.get("mount"), one.get("confirmed")
            upto = np.searchsorted(of_mount.get(mount, ()), int(entry["last"]), side="right")
            found = before.get(mount, 0) + int(upto)
            if said is not None and found != said:
                yield (
                    f"has {found} confirmed cycles of mount {mount} up to cycle {entry['last']}, line "
                    f"{entry.get('n')} of the journal says {said}"
                )


def check_anomalies(anomalies: Iterable[Mapping[str, Any]], rows: LedgerRows) -> Iterator[str]:
    """Where the journal tells an anomaly that the row of its cycle does not."""
    key = rows.cycle * (HIGHEST_MOUNT + 1) + rows.mount
    for entry in anomalies:
        cycle, mount = int(entry["cycle"]), int(entry["mount"])
        place = int(np.searchsorted(key, cycle * (HIGHEST_MOUNT + 1) + mount))
        there = place < len(key) and rows.cycle[place] == cycle and rows.mount[place] == mount
        found = FINDINGS[rows.finding[place]] if there else "no row"
        if found != entry.get("finding"):
            yield (
                f"has {found.replace('_', ' ')} for cycle {cycle} of mount {mount}, line {entry.get('n')} of the "
                f"journal says {str(entry.get('finding')).replace('_', ' ')}"
            )


def checked_up_to(segments: Iterable[Mapping[str, Any]]) -> int:
    """The last cycle whose row a segment in the journal holds; 0 where there is none."""
    return max((int(entry["last"]) for entry in segments), default=0)
