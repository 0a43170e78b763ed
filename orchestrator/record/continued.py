"""What a run that goes on with an earlier one takes over from its record, sealed or interrupted.

The truth is in the files: counts and figures come from the ledgers of all runs that belong together, back to the first
one; measurements, datum and ambient from their journals. An interrupted run has no seal, so its ledger is held against
every check of its own and against the segment hashes in the journal before anything is believed.

At most one cycle is uncertain. Where a block of cycles was energised and no proof of off follows, the cycle after the
last row may have begun; where the last write was cut off between two mounts, it is the last cycle, for the mounts
without a row. An uncertain cycle is never counted: it is named, and the next run makes it again.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
import yaml
from numpy.typing import NDArray

from orchestrator.record.chain import sha256_hex
from orchestrator.record.entry_words import entry_words
from orchestrator.record.journal import stamp
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_check import check_segments
from orchestrator.record.ledger_rows import COUNTED, FIGURES, FINDINGS
from orchestrator.record.ledger_table import LedgerRows, examine, joined
from orchestrator.record.reader import SEAL, NoRecord, RunRecord, read_run
from orchestrator.record.store import StorageFault, Store

if TYPE_CHECKING:
    from orchestrator.engine.judge import Value

Array = NDArray[Any]
CYCLES = "cycles"  # the part of a block in which cycles are made
_IS_COUNTED = np.array([name in COUNTED for name in FINDINGS])
_IS_MALFUNCTION = _IS_COUNTED & np.array([name != "ok" for name in FINDINGS])


class Digest(Protocol):
    """What takes over the figures of earlier cycles."""

    def take_many(self, cycles: Array, figures: Array, mount: int) -> None:
        """Figures (figures, cycles) of one mount, from 0, in the order of its cycles."""


class Counts(NamedTuple):
    """The counts at the end of the earlier run, arrays (m,) with one place a mount; `findings` is (m, findings).

    `commanded` is the last cycle with a row; `done` counts on the specimens, confirmed and malfunctions together.
    """

    commanded: int
    done: Array
    confirmed: Array
    findings: Array
    failed_at: Array
    in_a_row: Array


@dataclass(frozen=True)
class Continued:
    """The facts of an earlier run that a further one needs. Moments are by the wall clock: a monotonic clock does not
    survive a restart. `uncertain_mounts` are those, from 1, that the uncertain cycle concerns."""

    run: str
    sealed: bool
    sequence_sha256: str
    bench_sha256: str
    parameters: dict[str, Any]
    specimens: tuple[str, ...]
    stopped_utc: str
    stopped_because: str
    reason: str
    stopped_by: str | None
    counts: Counts
    uncertain_cycle: int | None
    uncertain_mounts: tuple[int, ...]
    datum: dict[str, float] | None
    ambient_c: float | None
    ledger_sha256: str | None
    torn_bytes: int
    runs: tuple[str, ...]
    _parts: tuple[_Part, ...]

    def fill(self, digest: Digest) -> None:
        """Give the figures of all confirmed cycles, oldest first."""
        for part in self._parts:
            rows = part.rows
            figures = np.array([rows.figures[name] for name in FIGURES])
            for mount in np.unique(rows.mount):
                own = (rows.mount == mount) & rows.electrical & rows.counted
                digest.take_many(rows.cycle[own], figures[:, own], int(mount) - 1)

    def measurements(self) -> Iterator[tuple[str, Value]]:
        """Every measured value with its result's name, oldest first, as evidence is kept."""
        from orchestrator.engine.judge import Value

        for part in self._parts:
            for entry in part.record.of("measurement"):
                if entry.get("value") is None:
                    continue
                yield (
                    str(entry.get("result")),
                    Value(
                        int(entry.get("shot") or 0),
                        float(entry["value"]),
                        str(entry.get("unit") or ""),
                        entry.get("expanded_uncertainty"),
                        entry.get("coverage_factor"),
                        int(entry.get("mount") or 0),
                    ),
                )


class CannotGoOn(Exception):
    """The earlier record does not allow a run to go on with it; the text says why, and what to do."""


@dataclass(frozen=True)
class _Part:
    """One run of those that belong together, with its ledger."""

    record: RunRecord
    rows: LedgerRows
    ledger: bytes


def continued(source: Path | Store) -> Continued:
    """The facts of the run in this folder or store. Raises CannotGoOn, and NoRecord where there is no record.

    Beside a store there is no other run: the first of those that belong together can be read from one.
    """
    parts = _parts(source) if isinstance(source, Path) else [_part(source)]
    newest = parts[-1]
    record = newest.record
    started, begun = record.first("run_started"), _begun(parts)
    specimens = tuple(str(one.get("specimen")) for one in begun.get("mounts") or [])
    counts = _counted(parts, len(specimens))
    uncertain, mounts = _uncertain(parts, counts, int(begun.get("of") or 0))
    cause = next((one for one in record.of("cause") if one.get("first")), {})
    return Continued(
        run=record.run,
        sealed=record.sealed,
        sequence_sha256=str(started.get("sequence_sha256") or ""),
        bench_sha256=str(started.get("bench_sha256") or ""),
        parameters=dict(started.get("parameters") or {}),
        specimens=specimens,
        stopped_utc=stopped_utc(record, newest.rows),
        stopped_because=_because(record, cause),
        reason=str(cause.get("reason") or record.last("run_ended").get("reason") or "power_lost"),
        stopped_by=cause.get("who"),
        counts=counts,
        uncertain_cycle=uncertain,
        uncertain_mounts=mounts,
        datum=_datum(parts),
        ambient_c=_ambient_c(parts),
        ledger_sha256=sha256_hex(newest.ledger) if newest.ledger else None,
        torn_bytes=len(newest.rows.torn),
        runs=tuple(part.record.run for part in parts),
        _parts=tuple(parts),
    )


def _parts(folder: Path) -> list[_Part]:
    """This run and those that it went on with, oldest first."""
    parts, seen = [_part(folder)], {folder.resolve()}
    while earlier := parts[0].record.first("run_started").get("continues"):
        before = folder.resolve().parent / str(earlier)
        if before.resolve() in seen:
            raise CannotGoOn(f"Run {earlier} is said to go on with itself: its record was changed.")
        seen.add(before.resolve())
        try:
            parts.insert(0, _part(before))
        except NoRecord:
            raise CannotGoOn(
                f"Run {parts[0].record.run} went on with run {earlier}, whose record is not beside it. "
                "Put that run folder back: its counts belong to the specimen."
            ) from None
    return parts


def _part(source: Path | Store) -> _Part:
    record = read_run(source)
    if record.journal.breaks:
        found = record.journal.breaks[0]
        raise CannotGoOn(f"The journal of run {record.run} does not hold: line {found.line} {found.what}.")
    data = record.files.read(LEDGER) if LEDGER in record.files.names() else b""
    found_rows = examine(data)
    wrong = [
        *map(str, found_rows.findings),
        *check_segments(record.of("segment"), found_rows.rows, data),
        *_against_seal(record, data),
    ]
    if wrong:
        raise CannotGoOn(
            f"The ledger of run {record.run} {wrong[0]}. Nothing goes on from a count that does not hold: "
            "benchward record verify says more."
        )
    return _Part(record, found_rows.rows, data)


def _against_seal(record: RunRecord, ledger: bytes) -> Iterator[str]:
    """A sealed ledger that is another one now. What else the seal holds is `verify`'s to look at."""
    if not record.sealed:
        return
    sealed = json.loads(record.files.read(SEAL)).get("files", {}).get(LEDGER, {})
    if ledger and sealed.get("sha256") != sha256_hex(ledger):
        yield "is not the one that was sealed"


def _begun(parts: Sequence[_Part]) -> dict[str, Any]:
    """The newest entry that began cycles: a run may have ended before its own."""
    found = next((e for part in reversed(parts) if (e := part.record.last("cycles_started"))), None)
    if found is None:
        raise CannotGoOn(
            f"Run {parts[-1].record.run} had no cycle: there is nothing to go on with. Start a new run instead."
        )
    return found


def _counted(parts: Sequence[_Part], mounts: int) -> Counts:
    none = np.zeros(mounts, np.int64)
    findings = np.zeros((mounts, len(FINDINGS)), np.int64)
    counts = Counts(0, none, none.copy(), findings, none.copy(), none.copy())
    for part in parts:
        counts = _with_rows(counts, part.rows)
        for entry in part.record.of("mount_stopped"):
            counts.failed_at[int(entry["mount"]) - 1] = int(entry["cycle"])
    _fail_what_was_not_written(counts, _policy(parts[0].record), parts[-1].rows)
    return counts


def _with_rows(before: Counts, rows: LedgerRows) -> Counts:
    counts = before
    for place in range(len(before.done)):
        own = rows.mount == place + 1
        codes = rows.finding[own]
        counted = rows.counted[own]
        counts.done[place] += int(counted.sum())
        counts.confirmed[place] += int((counted & rows.electrical[own]).sum())
        counts.findings[place] += np.bincount(codes, minlength=len(FINDINGS))
        counts.in_a_row[place] = _in_a_row(_IS_MALFUNCTION[codes[counted]], int(before.in_a_row[place]))
    last = max(before.commanded, int(rows.cycle[-1]) if len(rows) else 0)
    return counts._replace(commanded=last)


def _in_a_row(bad: Array, before: int) -> int:
    """Malfunctions at the end of the counted cycles, with those before them where there is no other cycle."""
    good = np.flatnonzero(~bad)
    return int(len(bad) - 1 - good[-1]) if len(good) else before + len(bad)


def _policy(record: RunRecord) -> tuple[str, int]:
    """The failure policy of the frozen sequence."""
    try:
        frozen = yaml.load(record.files.read("sequence.yaml"), Loader=yaml.BaseLoader)
        failure = frozen["mounts"]["failure"]
        return str(failure["rule"]), int(failure.get("times") or 1)
    except (StorageFault, yaml.YAMLError, KeyError, TypeError, ValueError):
        return "first", 1


def _fail_what_was_not_written(counts: Counts, policy: tuple[str, int], rows: LedgerRows) -> None:
    """A power cut between the row of the last malfunction and the entry that the mount has failed by it."""
    rule, times = policy
    malfunctions = counts.findings[:, _IS_MALFUNCTION].sum(axis=1)
    reached = (counts.in_a_row if rule == "consecutive" else malfunctions) >= (
        1 if rule == "first" else times
    )
    for place in np.flatnonzero(reached & (counts.failed_at == 0)):
        own = rows.cycle[(rows.mount == place + 1) & rows.counted]
        counts.failed_at[place] = own[-1] if len(own) else counts.commanded


# ---- the uncertain cycle


def _uncertain(parts: Sequence[_Part], counts: Counts, declared: int) -> tuple[int | None, tuple[int, ...]]:
    """The cycle that may have been made without a row, and the mounts it concerns."""
    goes_on = (counts.failed_at == 0) & (counts.done < declared)
    for part in reversed(parts):
        rows, record = part.rows, part.record
        if len(rows):
            without = goes_on.copy()
            without[rows.mount[rows.cycle == rows.cycle[-1]] - 1] = False
            if without.any():
                return counts.commanded, _numbers(without)
        told = (
            record.last("uncertain_cycle").get("cycle")
            or record.last("run_ended").get("uncertain_cycle")
            or 0
        )
        if goes_on.any() and (int(told) > counts.commanded or left_energised(record)):
            return counts.commanded + 1, _numbers(goes_on)
        if len(rows):
            break  # what was uncertain before these rows has been made again
    return None, ()


def _numbers(mounts: Array) -> tuple[int, ...]:
    return tuple(int(place) + 1 for place in np.flatnonzero(mounts))


def left_energised(record: RunRecord) -> bool:
    """Whether a block of cycles was opened that no proof of off follows."""
    for entry in reversed(record.entries):
        if entry.get("kind") == "off_proof":
            return False
        if entry.get("kind") == "intent" and entry.get("act") == "energise":
            return bool(entry.get("part") == CYCLES)
    return False


# ---- when and why


def stopped_utc(record: RunRecord, rows: LedgerRows) -> str:
    """When the record ends, by the wall clock: the end of the run, or the latest of its last entry and last row."""
    ended = record.last("run_ended")
    if ended:
        return str(ended.get("utc"))
    entries = record.entries
    newest = str(entries[-1].get("utc")) if entries else ""
    begun = record.last("cycles_started")
    began_s = begun.get("began_s")
    if not len(rows) or not isinstance(began_s, (int, float)):
        return newest
    behind_s = float(began_s) + float(rows.t_s[-1]) - float(begun["mono_s"])
    last_row = stamp(datetime.fromisoformat(str(begun["utc"])) + timedelta(seconds=behind_s))
    return max(newest, last_row)


def _because(record: RunRecord, cause: dict[str, Any]) -> str:
    if cause:
        return str(cause.get("what"))
    ended = record.last("run_ended")
    if ended:
        return str(ended.get("sentence"))
    last = record.entries[-1] if record.entries else {}
    return f"the record has no end, its last word is: {entry_words(last)}"


# ---- what was measured


def _datum(parts: Sequence[_Part]) -> dict[str, float] | None:
    """The last touch-off that was set as the datum."""
    for part in reversed(parts):
        for entry in reversed(list(part.record.of("touch_off"))):
            if entry.get("datum") == "set":
                return {name: float(entry[name]) for name in ("touches_at_mm", "force_n")}
    return None


def _ambient_c(parts: Sequence[_Part]) -> float | None:
    """Of the air in the last run that made a cycle: one that was refused for its air says nothing of the duty's."""
    for part in reversed([part for part in parts if len(part.rows)]):
        for entry in reversed(list(part.record.of("ambient"))):
            for name in ("temperature_c", "temperature"):
                if entry.get(name) is not None:
                    return float(entry[name])
    return None


def with_earlier(record: RunRecord) -> list[RunRecord]:
    """A run behind those that it went on with, oldest first, as far as their folders are beside it."""
    records, path = [record], getattr(record.files, "path", None)
    while path is not None and (earlier := records[0].first("run_started").get("continues")):
        if earlier in [one.run for one in records]:
            break
        try:
            records.insert(0, read_run(path.resolve().parent / str(earlier)))
        except NoRecord:
            break
    return records


def rows_of(records: Sequence[RunRecord]) -> LedgerRows:
    """The rows of several runs together. What does not hold is left out: `verify` tells of it."""
    return joined(
        [examine(one.files.read(LEDGER) if LEDGER in one.files.names() else b"").rows for one in records]
    )
