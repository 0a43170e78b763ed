"""The part of the data sheet that tells a cyclic duty: counts, failures, gaps, what was measured between the cycles."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from orchestrator.record import wording
from orchestrator.record.cycles import MOST_MOUNTS, Cycles
from orchestrator.record.entry_words import anomaly_words, gap_words, warning_words

Entry = Mapping[str, Any]
MOST_COLUMNS = 6  # of results side by side
Table = tuple[Sequence[str], Sequence[Sequence[str]]]


def counts_table(cycles: Cycles) -> Table:
    """Heading and one row for each mount."""
    head = ("mount", "specimen", "cycles", "confirmed", "malfunctions", "failed at cycle", "discounted")
    rows = [
        (
            str(one.mount),
            one.specimen,
            f"{one.cycles:,}",
            f"{one.confirmed:,}",
            str(one.malfunctions),
            "" if one.failed_at is None else f"{one.failed_at:,}",
            str(sum(1 for a in cycles.anomalies if a.get("mount") == one.mount and not a.get("counted"))),
        )
        for one in cycles.mounts
    ]
    return head, rows


def facts(cycles: Cycles) -> Iterator[tuple[str, str]]:
    """Name and value of what is said in one line each."""
    yield "declared cycles", f"{cycles.declared:,}"
    yield "cycles told of", f"{cycles.first:,} to {cycles.upto:,}" if cycles.upto >= cycles.first else "none"
    if not cycles.ended:
        behind = f"what came after cycle {cycles.upto:,} stands in the ledger alone"
        yield "no end", f"the journal has none: {behind}"
    yield "counts", "cycles = confirmed + malfunctions, on the specimen; discounted cycles are repeated"
    if cycles.discounted:
        found = ", ".join(
            f"{wording.plain_name(name)} {number}" for name, number in cycles.discounted.items()
        )
        yield "discounted", f"{found} (load, supply, actuator or recorder: never the specimen's)"
    for number in cycles.uncertain:
        yield "uncertain", f"cycle {number}: it had begun and is not confirmed; it is not counted"
    hashes = wording.many(len(cycles.segments), "segment")
    yield "ledger", f"cycles.txt, a row for each mount of each cycle; {hashes} with a hash in the journal"


def sentences(cycles: Cycles) -> Iterator[str]:
    """Gaps, failures, warnings, anomalies as far as they are listed, and what the counts say on life."""
    for gap in cycles.gaps:
        yield f"GAP: {gap_words(gap)}"
        for point in gap.get("points") or []:
            yield f"  {point.get('point')}: {point.get('found')}"
    for failure in cycles.failures:
        yield f"FAILED: {failure.why} ({wording.plain_name(failure.finding)})"
    if not cycles.failures:
        yield "No mount failed by the failure policy."
    for warning in cycles.warnings:
        yield warning_words(warning)
    for anomaly in cycles.shown_anomalies:
        yield anomaly_words(anomaly)
    if cycles.not_shown:
        yield f"and {cycles.not_shown} more anomalies, counted above; all are in the journal and the ledger."
    if cycles.lifetime.get("in_words"):
        yield f"On life: {cycles.lifetime['in_words']}"


def measured_tables(measurements: Sequence[Entry]) -> Iterator[tuple[str, Table]]:
    """What was measured between cycles: name and table, a row for each time, a column for each mount.

    Results stand side by side where they are few. More than a few mounts are drawn together to smallest, median and
    largest.
    """
    results = list(dict.fromkeys(str(entry.get("result")) for entry in measurements))
    own = {result: [entry for entry in measurements if entry.get("result") == result] for result in results}
    mounts = {result: sorted({int(entry.get("mount") or 0) for entry in own[result]}) for result in results}
    if len(results) > 1 and sum(len(_columns(each)) for each in mounts.values()) <= MOST_COLUMNS:
        yield "measured", _side_by_side(own, mounts)
        return
    for result in results:
        times = _times(own[result])
        rows = [(_time_words(time), *_cells_at(own[result], time, mounts[result])) for time in times]
        yield wording.plain_name(result), (("after cycle", *_columns(mounts[result])), rows)


def _side_by_side(own: Mapping[str, list[Entry]], mounts: Mapping[str, list[int]]) -> Table:
    head = [
        f"{wording.plain_name(result)}{'' if name == 'value' else f', {name}'}"
        for result in own
        for name in _columns(mounts[result])
    ]
    times = _times([entry for entries in own.values() for entry in entries])
    rows = [
        (
            _time_words(time),
            *(cell for result in own for cell in _cells_at(own[result], time, mounts[result])),
        )
        for time in times
    ]
    return ("after cycle", *head), rows


def _times(entries: Sequence[Entry]) -> list[int]:
    return sorted({int(entry.get("shot") or 0) for entry in entries})


def _cells_at(entries: Sequence[Entry], time: int, mounts: Sequence[int]) -> list[str]:
    there = [entry for entry in entries if int(entry.get("shot") or 0) == time]
    return _cells(there, mounts) if there else [""] * len(_columns(mounts))


def _time_words(cycle: int) -> str:
    return f"{cycle:,}" if cycle else "start"


def _columns(mounts: Sequence[int]) -> tuple[str, ...]:
    if len(mounts) > MOST_MOUNTS:
        return ("smallest", "median", "largest")
    return tuple(f"mount {mount}" if mount else "value" for mount in mounts)


def _cells(entries: Sequence[Entry], mounts: Sequence[int]) -> list[str]:
    if len(mounts) > MOST_MOUNTS:
        values = [float(entry["value"]) for entry in entries if entry.get("value") is not None]
        unit = str(entries[0].get("unit") or "")
        return [
            wording.quantity(pick(values), unit) if values else "" for pick in (min, statistics.median, max)
        ]
    newest = {int(entry.get("mount") or 0): wording.measured(entry) for entry in entries}
    return [newest.get(mount, "") for mount in mounts]
