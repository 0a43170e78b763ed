"""What has been done to a specimen, from the run folders: sealed and interrupted runs alike.

Rehearsals are listed but count for nothing, as nothing was done to a real specimen.
"""

import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from orchestrator.core.identity import CARD_FIELDS, compared
from orchestrator.record.chain import Chain, read_chain
from orchestrator.record.cycles import own_counts, specimens_of
from orchestrator.record.journal import JOURNAL
from orchestrator.record.reader import RunRecord, read_run
from orchestrator.record.store import StorageFault

_ENDED_AS_PLANNED = frozenset({"completed", "count_reached"})
_IGNITED = frozenset({"scorched", "glowing", "burning"})


@dataclass(frozen=True)
class PastRun:
    """One run of a specimen. `shots_applied` counts what may have reached the specimen: after an interruption also a
    shot whose trigger was announced and never confirmed. `cycles` counts the confirmed cycles of a cyclic duty that
    this run's own ledger holds for the specimen, None where its duty is no cyclic one; `failed_at` is the cycle at
    which it failed by the failure policy. `spends` says why it may not be used again. Group, condition and firmware
    are those of the admission, or as they were found at the bench where that was said."""

    run: str
    began_utc: str
    outcome: str
    reason: str
    shots_applied: int
    sealed: bool
    interrupted: bool
    world: str
    spends: str | None = None
    group: str | None = None
    condition: str | None = None
    firmware: str | None = None
    cycles: int | None = None
    failed_at: int | None = None


@dataclass(frozen=True)
class SpecimenHistory:
    """Everything known of a specimen, oldest run first. `spent` is the reason it may not be used again."""

    identity: str
    runs: list[PastRun]

    @property
    def shots_applied(self) -> int:
        """Shots of all real runs."""
        return sum(run.shots_applied for run in self._real)

    @property
    def cycles(self) -> int | None:
        """Confirmed cycles of all real runs so far; None where it never had a cyclic duty."""
        counted = [run.cycles for run in self._real if run.cycles is not None]
        return sum(counted) if counted else None

    @property
    def spent(self) -> bool:
        """Whether a further run must be refused."""
        return self.spent_because is not None

    @property
    def spent_because(self) -> str | None:
        """Which run spent it, and why, in a sentence."""
        return self.spent_outside(())

    def spent_outside(self, runs: Collection[str]) -> str | None:
        """The same without those runs: what a specimen is to one that goes on with them, where it keeps its place."""
        spending = next((run for run in self._real if run.spends and run.run not in runs), None)
        return None if spending is None else f"{spending.spends} in run {spending.run}"

    def later_than(self, runs: Collection[str]) -> list[PastRun]:
        """Real runs that began after the last of those."""
        last = max((run.began_utc for run in self._real if run.run in runs), default="")
        return [run for run in self._real if run.run not in runs and run.began_utc > last]

    @property
    def last_outcome(self) -> str | None:
        """Outcome token of the latest real run."""
        return self._real[-1].outcome if self._real else None

    @property
    def part_of(self) -> list[str]:
        """The earlier real runs by name, as a new run's record lists them."""
        return [run.run for run in self._real]

    @property
    def _real(self) -> list[PastRun]:
        return [run for run in self.runs if run.world != "rehearsal"]


def same_specimen(identity: str) -> str:
    """The form in which identities are compared: case and white space do not count."""
    return compared(identity)


def history(data_folder: Path, identity: str) -> SpecimenHistory:
    """The history of a specimen. Folders that are no run folders, or cannot be read, are passed over."""
    wanted = same_specimen(identity)
    found = [
        past_run(read_run(folder), identity)
        for folder in run_folders(data_folder)
        if wanted in map(same_specimen, _specimens_of(folder))
    ]
    return SpecimenHistory(identity, sorted(found, key=lambda run: (run.began_utc, run.run)))


def run_folders(data_folder: Path) -> Iterator[Path]:
    """The run folders of a data folder, by name."""
    if data_folder.is_dir():
        yield from (path for path in sorted(data_folder.iterdir()) if (path / JOURNAL).is_file())


def newest_run(data_folder: Path) -> Path | None:
    """The folder of the run that began last: by the minute in its name, and within a minute by the disk's word."""
    folders = [folder for folder in run_folders(data_folder) if re.match(r"\d{8}-\d{4}-", folder.name)]
    return max(folders, key=lambda one: (one.name[:13], one.stat().st_mtime, one.name), default=None)


def _specimens_of(folder: Path) -> list[str]:
    """The specimens as the journal's first lines name them, without reading the whole of a long one."""
    try:
        with (folder / JOURNAL).open("rb") as file:
            chain: Chain = read_chain(file.read(65536))
    except OSError:
        return []
    started = next((e for e in chain.entries if e.get("kind") == "run_started"), {})
    return [str(one) for one in started.get("specimens") or [started.get("specimen") or ""]]


def past_run(record: RunRecord, identity: str | None = None) -> PastRun:
    """What a run was to a specimen: to that of the first mount, where none is named."""
    started, ended = record.first("run_started"), record.last("run_ended")
    mount = _mount_of(record, identity)
    cycles = _cycles_of(record, mount)
    failed = [e for e in record.of("mount_stopped") if e.get("mount") == mount]
    applied = _shots_applied(record, ended)
    return PastRun(
        run=record.run,
        began_utc=str(started.get("utc") or ""),
        outcome=str(ended.get("outcome") or "none"),
        reason=str(ended.get("reason") or "power_lost"),
        shots_applied=applied,
        sealed=record.sealed,
        interrupted=not ended,
        world=str(started.get("world") or "real"),
        spends=_spends(record, ended, applied, mount, cycles),
        **card_of(record),
        cycles=cycles,
        failed_at=int(failed[0]["cycle"]) if failed else None,
    )


def _mount_of(record: RunRecord, identity: str | None) -> int:
    wanted = same_specimen(identity or "")
    places = [place for place, one in enumerate(specimens_of(record), 1) if same_specimen(one) == wanted]
    return places[0] if places else 1


def _cycles_of(record: RunRecord, mount: int) -> int | None:
    """Confirmed cycles of a mount by the run's own ledger; None where the run has none."""
    if not record.last("cycles_started"):
        return None
    counted = own_counts(record).get(mount)
    return counted.confirmed if counted else 0


def card_of(record: RunRecord) -> dict[str, str | None]:
    """Group, condition and firmware of the specimen; what was found at the bench comes before the admission."""
    told = [
        record.first("run_started"),
        *(one for one in record.of("answered") if one.get("label") or one.get("labels")),
    ]
    return {name: _newest(told, name) for name in CARD_FIELDS}


def _newest(told: list[dict[str, Any]], name: str) -> str | None:
    return next((str(one[name]) for one in reversed(told) if one.get(name)), None)


def _shots_applied(record: RunRecord, ended: dict[str, Any]) -> int:
    if "shots_applied" in ended:
        return int(ended["shots_applied"])
    duty = [e for e in record.entries if e.get("part") == "duty"]
    # The intent is on disk before the trigger: without a "triggered" it is assumed that it happened. A shot that
    # came by itself has no intent and is "triggered" all the same.
    asked = Counter(e.get("shot") for e in duty if e["kind"] == "intent" and e.get("act") == "trigger")
    seen = Counter(e.get("shot") for e in duty if e["kind"] == "triggered")
    return sum((asked | seen).values())


def _spends(
    record: RunRecord, ended: dict[str, Any], applied: int, mount: int, cycles: int | None
) -> str | None:
    for entry in record.of("mount_stopped"):
        if entry.get("mount") == mount:
            return f"it failed at cycle {entry.get('cycle')}"
    if ended.get("reason") in _ENDED_AS_PLANNED:
        return "its duty was completed"
    own = [row for row in record.of("verdict") if (row.get("mount") or mount) == mount]
    outcome = (ended.get("mount_outcomes") or {}).get(str(mount), ended.get("outcome"))
    if outcome == "fail" or any(row.get("verdict") == "F" for row in own):
        return "it failed a requirement"
    if any(entry.get("state") in _IGNITED for entry in record.of("observation")):
        return "its indicator showed ignition"
    if applied and after_a_stop(record, ended) == "is spent":
        return f"it was stopped after {applied} shot(s), and its sequence says that it is spent then"
    if cycles and after_a_stop(record, ended) == "is spent":
        return f"it was stopped after {cycles:,} cycles, and its sequence says that it is spent then"
    return None


def after_a_stop(record: RunRecord, ended: dict[str, Any]) -> str:
    """What the sequence says of a specimen after a stop; spent, where it cannot be known."""
    if "after_a_stop" in ended:
        return str(ended["after_a_stop"])
    try:
        frozen = yaml.load(record.files.read("sequence.yaml"), Loader=yaml.BaseLoader)
        return str(frozen["specimen"]["after_a_stop"])
    except (StorageFault, yaml.YAMLError, KeyError, TypeError):
        return "is spent"
