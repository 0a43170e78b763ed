"""What a report tells of a cyclic duty: counts, failures, gaps, measurements between the cycles, trends with plots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import yaml

from orchestrator.record import cycles_sheet, wording
from orchestrator.record.continued import rows_of, with_earlier
from orchestrator.record.cycles import Cycles, cycles_of, own_counts
from orchestrator.record.entry_words import anomaly_words, warning_words
from orchestrator.record.ledger_rows import FIGURES
from orchestrator.record.ledger_table import LedgerRows
from orchestrator.record.reader import RunRecord
from orchestrator.record.store import StorageFault
from orchestrator.record.summary import Summary
from orchestrator.report.bands import bands
from orchestrator.report.cycle_plots import CycleTrend, Measured, cycle_trend_svg
from sequences.quantity import parse

ALWAYS_DRAWN = ("contact_drop", "bounce_time", "inrush")
UNITS = {"bounce_count": "1", "inrush": "A", "steady_current": "A", "contact_drop": "V"}
MEASURED_WITH = {
    "contact_drop": "checked_drop"
}  # what is measured between cycles, drawn with what each cycle gives
DEFINITIONS = {  # as `analysis.contact` computes them; times count from the two triggers of a cycle's record
    "make time": "from the make trigger, the drive passing its trigger position, to the first make",
    "bounce time": "from the first make to the last, after which the contact stays closed",
    "bounce count": "reopenings after the first make; an arc counts as open",
    "inrush": "largest current in the make record, without sign",
    "steady current": "current while on, just before the break trigger: mean, alternating r.m.s.",
    "contact drop": "voltage across the closed contact, just before the break trigger: mean, alternating r.m.s.",
    "break time": "from the break trigger to the end of the current",
    "arcing time": "from the parting of the contact to the end of the current",
}
MOST_LINES = 12  # of one kind of event in a plot


@dataclass(frozen=True)
class CyclicDuty:
    """What the template shows."""

    cycles: Cycles
    facts: list[tuple[str, str]]
    counts: cycles_sheet.Table
    measured: list[tuple[str, cycles_sheet.Table]]
    anomalies: list[str]
    warnings: list[str]
    trends: list[tuple[str, str]]
    runs: tuple[str, ...]
    ledger_words: str
    definitions: dict[str, str]


def cyclic_duty(record: RunRecord, run: Summary, mark: str) -> CyclicDuty | None:
    """Everything on the cycles of a run, with those of the runs that it went on with where their records are beside it;
    None where its duty is no cyclic one."""
    records = with_earlier(record)
    entries = [entry for one in records for entry in one.entries]
    cycles = cycles_of(entries) if run.cycles is not None else None
    if cycles is None:
        return None
    measurements = [entry for entry in entries if entry.get("kind") == "measurement"]
    return CyclicDuty(
        cycles,
        list(cycles_sheet.facts(cycles)),
        cycles_sheet.counts_table(cycles),
        list(cycles_sheet.measured_tables(measurements)),
        list(map(anomaly_words, cycles.shown_anomalies)),
        list(map(warning_words, cycles.warnings)),
        list(_trends(record, run, cycles, rows_of(records), measurements, mark)),
        tuple(one.run for one in records),
        _ledger_words(record),
        DEFINITIONS,
    )


def _ledger_words(record: RunRecord) -> str:
    counted = own_counts(record)
    confirmed = ", ".join(f"mount {mount}: {one.confirmed:,}" for mount, one in list(counted.items())[:8])
    more = f" and {len(counted) - 8} more mounts" if len(counted) > 8 else ""
    return f"confirmed in the ledger of this run: {confirmed or 'none'}{more}"


def _trends(
    record: RunRecord,
    run: Summary,
    cycles: Cycles,
    rows: LedgerRows,
    measurements: Sequence[dict[str, Any]],
    mark: str,
) -> Iterator[tuple[str, str]]:
    judged = [str(row.get("result")) for row in run.verdicts if row.get("result") in FIGURES]
    confirmed = rows.electrical & rows.counted
    for place, name in enumerate(dict.fromkeys([*ALWAYS_DRAWN, *judged])):
        drawn = bands(rows.cycle[confirmed], rows.figures[name][confirmed])
        if not len(drawn.at):
            continue
        trend = CycleTrend(
            wording.plain_name(name),
            UNITS.get(name, "s"),
            drawn,
            f"{wording.plain_name(MEASURED_WITH.get(name, ''))} between cycles",
            _measured(measurements, MEASURED_WITH.get(name)),
            list(_limits(record, run, name)),
            list(_events(cycles, rows)),
            len(np.unique(rows.mount)),
        )
        yield trend.name, cycle_trend_svg(trend, f"c{place}", mark)


def _measured(measurements: Sequence[dict[str, Any]], result: str | None) -> Sequence[Measured]:
    return [
        Measured(int(entry.get("shot") or 0), float(entry["value"]), entry.get("expanded_uncertainty"))
        for entry in measurements
        if entry.get("result") == result and entry.get("value") is not None
    ]


def _limits(record: RunRecord, run: Summary, name: str) -> Iterator[tuple[str, float]]:
    """Limits of the requirements on this figure and on what is measured with it, and where a warning is given."""
    results = (name, MEASURED_WITH.get(name))
    told = set()
    for row in run.verdicts:
        limit, unit = row.get("limit"), wording.row_unit(row)
        if row.get("result") in results and limit is not None and (row["clause"], limit) not in told:
            told.add((row["clause"], limit))
            yield f"limit, {row.get('clause')}: {wording.exact(limit, unit)}", float(limit)
    for rule in _trend_rules(record):
        level = str(rule.get("warn_above") or "")
        level = str((run.started.get("parameters") or {}).get(level, level))
        if rule.get("result") == name and level:
            yield f"warning above {level}", float(parse(level))


def _trend_rules(record: RunRecord) -> list[dict[str, Any]]:
    """The trend limits of the frozen sequence."""
    try:
        frozen = yaml.load(record.files.read("sequence.yaml"), Loader=yaml.BaseLoader)
        return [dict(rule) for rule in frozen.get("trend_limits") or []]
    except (StorageFault, yaml.YAMLError, AttributeError, TypeError, ValueError):
        return []


def _events(cycles: Cycles, rows: LedgerRows) -> Iterator[tuple[str, Sequence[int]]]:
    """Malfunctions, warnings and gaps, with their cycles; of many the first ones and how many there are."""
    bad = np.unique(rows.cycle[rows.counted & ~rows.electrical])
    found = (
        ("malfunction", bad.tolist()),
        ("warning of a trend", [int(one.get("cycle") or 0) for one in cycles.warnings]),
        ("gap between runs", [int(one.get("from_cycle") or 0) for one in cycles.gaps]),
    )
    for what, at in found:
        if at:
            more = f" (first {MOST_LINES} of {len(at)})" if len(at) > MOST_LINES else ""
            yield f"{what}{more}", at[:MOST_LINES]
