"""What a record says of a cyclic duty: counts of each mount, what went wrong and whose it was, gaps, warnings.

`cycles_of` reads the journal alone, as the data sheet does; `own_counts` reads the ledger, which is the truth of the
cycles of its run and goes further than the last entry of an interrupted journal.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from orchestrator.record.reader import last, of
from orchestrator.record.wording import many

if TYPE_CHECKING:
    from orchestrator.record.ledger import Counted
    from orchestrator.record.ledger_table import LedgerRows
    from orchestrator.record.reader import RunRecord

Entry = Mapping[str, Any]
LEDGER = "cycles.txt"
MOST_MOUNTS = 4  # told one by one
SHOWN = 40  # anomalies that are listed; the others are counted


@dataclass(frozen=True)
class MountCount:
    """One mount: cycles on its specimen (confirmed and malfunctions), over all runs that belong together."""

    mount: int
    specimen: str
    cycles: int
    confirmed: int
    malfunctions: int
    failed_at: int | None
    findings: dict[str, int]


@dataclass(frozen=True)
class Failure:
    """A mount that failed by the failure policy, and at which cycle."""

    mount: int
    specimen: str
    cycle: int
    finding: str
    why: str


@dataclass(frozen=True)
class Cycles:
    """The cyclic duty of one run. `upto` is the cycle to which `mounts` count; `discounted` counts by finding what
    the load, the supply, the actuator or the recorder spoilt."""

    declared: int
    first: int
    upto: int
    mounts: tuple[MountCount, ...]
    failures: tuple[Failure, ...]
    anomalies: tuple[Entry, ...]
    discounted: dict[str, int]
    segments: tuple[Entry, ...]
    gaps: tuple[Entry, ...]
    warnings: tuple[Entry, ...]
    uncertain: tuple[int, ...]
    lifetime: Entry
    ended: bool

    @property
    def shown_anomalies(self) -> Sequence[Entry]:
        """Those that count on a specimen first, then the others in their order, as many as are listed."""
        counted = [one for one in self.anomalies if one.get("counted")]
        others = [one for one in self.anomalies if not one.get("counted")]
        return sorted([*counted, *others][:SHOWN], key=lambda one: int(one.get("cycle") or 0))

    @property
    def not_shown(self) -> int:
        """Anomalies that are counted and not listed."""
        return max(0, len(self.anomalies) - SHOWN)


def cycles_of(entries: Iterable[Entry]) -> Cycles | None:
    """The cyclic duty of a journal; None where the run began no cycle."""
    kept = [entry if isinstance(entry, dict) else dict(entry) for entry in entries]
    begun = last(kept, "cycles_started")
    if not begun:
        return None
    ended, segments = last(kept, "run_ended"), list(of(kept, "segment"))
    newest = ended if ended.get("cycles") else (segments or [begun])[-1]
    upto = ended.get("commanded") or (int(segments[-1]["last"]) if segments else begun.get("commanded") or 0)
    anomalies = tuple(of(kept, "anomaly"))
    told = [one.get("cycle") for one in of(kept, "uncertain_cycle")]
    return Cycles(
        declared=int(begun.get("of") or 0),
        first=int(next(of(kept, "cycles_started")).get("commanded") or 0) + 1,
        upto=int(upto),
        mounts=tuple(map(_mount_count, newest.get("cycles") or newest.get("mounts") or [])),
        failures=tuple(_failure(one) for one in of(kept, "mount_stopped")),
        anomalies=anomalies,
        discounted=dict(Counter(str(one.get("finding")) for one in anomalies if not one.get("counted"))),
        segments=tuple(segments),
        gaps=tuple(of(kept, "gap")),
        warnings=tuple(of(kept, "trend_warning")),
        uncertain=tuple(int(cycle) for cycle in dict.fromkeys(told) if cycle),
        lifetime=last(kept, "lifetime"),
        ended=bool(ended),
    )


def _mount_count(one: Entry) -> MountCount:
    failed_at = one.get("failed_at")
    return MountCount(
        int(one.get("mount") or 0),
        str(one.get("specimen") or ""),
        int(one.get("cycles") or 0),
        int(one.get("confirmed") or 0),
        int(one.get("malfunctions") or 0),
        None if failed_at is None else int(failed_at),
        dict(one.get("findings") or {}),
    )


def _failure(entry: Entry) -> Failure:
    return Failure(
        int(entry.get("mount") or 0),
        str(entry.get("specimen") or ""),
        int(entry.get("cycle") or 0),
        str(entry.get("finding") or ""),
        str(entry.get("why") or ""),
    )


def own_rows(record: RunRecord) -> LedgerRows | None:
    """The rows of a run's own ledger that hold; None where it has none."""
    from orchestrator.record.ledger_table import examine

    return examine(record.files.read(LEDGER)).rows if LEDGER in record.files.names() else None


def own_counts(record: RunRecord) -> dict[int, Counted]:
    """For each mount what the run's own ledger holds, without what earlier runs counted; empty without a ledger."""
    from orchestrator.record.ledger import count

    rows = own_rows(record)
    return {} if rows is None else count(rows)


def specimens_of(record: RunRecord) -> tuple[str, ...]:
    """The specimens by mount: one where the run names no others."""
    started = record.first("run_started")
    named = started.get("specimens") or [started.get("specimen") or ""]
    return tuple(str(one) for one in named)


def words_on_cycles(record: RunRecord) -> str:
    """How many cycles each specimen had in this run, by its ledger, and whether one is uncertain; empty without any.

    Where many mounts are on a bench they are drawn together.
    """
    from orchestrator.record.continued import left_energised

    specimens, counted = specimens_of(record), own_counts(record)
    if not counted:
        return ""
    told = [
        f"{specimens[mount - 1] if mount <= len(specimens) else f'mount {mount}'} had "
        f"{many(one.confirmed, 'confirmed cycle')}{_and_bad(one.malfunctions)} in this run."
        for mount, one in counted.items()
    ]
    if len(told) > MOST_MOUNTS:
        confirmed = [one.confirmed for one in counted.values()]
        bad = many(sum(one.malfunctions for one in counted.values()), "malfunction")
        told = [
            f"{len(told)} specimens had {min(confirmed):,} to {max(confirmed):,} confirmed cycles each in this run, "
            f"with {bad} in all."
        ]
    newest = max(one.last for one in counted.values())
    uncertain = record.last("uncertain_cycle").get("cycle") or (
        newest + 1 if left_energised(record) else None
    )
    if uncertain:
        told.append(f"Cycle {uncertain} may have been made and is not recorded: it is not counted.")
    return " ".join(told)


def _and_bad(malfunctions: int) -> str:
    return f" and {many(malfunctions, 'malfunction')}" if malfunctions else ""
