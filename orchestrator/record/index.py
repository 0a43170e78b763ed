"""A SQLite index over all run folders of a data folder. The folders are the truth; the index can be thrown away
and is brought up to date from them at each look: a run is read again when its journal, seal or amendments changed.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from orchestrator.record.cycles import LEDGER, own_counts, specimens_of
from orchestrator.record.journal import JOURNAL
from orchestrator.record.reader import AMENDMENTS, SEAL, RunRecord, read_run
from orchestrator.record.specimens import run_folders, same_specimen
from orchestrator.record.summary import summarise

INDEX = "index.sqlite"
VERSION = 2  # of the tables: others are thrown away


@dataclass(frozen=True)
class Listed:
    """One run as a list shows it."""

    run: str
    folder: str
    specimen: str
    title: str
    scenario: str
    sequence_sha256: str
    bench: str
    world: str
    began_utc: str
    ended_utc: str
    outcome: str
    reason: str
    verdict: str
    shots_applied: int
    cycles: int | None
    started_by: str
    sealed: int
    amendments: int


@dataclass(frozen=True)
class MountRow:
    """What the ledger of one run holds of one mount."""

    folder: str
    mount: int
    specimen: str
    first_cycle: int
    last_cycle: int
    commanded: int
    position_confirmed: int
    confirmed: int
    malfunctions: int


_MOUNT_COLUMNS = tuple(item.name for item in fields(MountRow))
_COLUMNS = tuple(item.name for item in fields(Listed))
_TABLE_NAMES = ("runs", "instruments", "counts")
_TABLES = f"""
CREATE TABLE IF NOT EXISTS runs
    ({", ".join(_COLUMNS)}, specimen_key, mark, PRIMARY KEY (folder));
CREATE TABLE IF NOT EXISTS instruments (folder, name, maker, model, serial, calibration_due);
CREATE TABLE IF NOT EXISTS counts
    (folder, mount, specimen, specimen_key, first_cycle, last_cycle, commanded, position_confirmed, confirmed,
     malfunctions, PRIMARY KEY (folder, mount));
CREATE INDEX IF NOT EXISTS by_serial ON instruments (serial);
CREATE INDEX IF NOT EXISTS by_specimen ON runs (specimen_key);
CREATE INDEX IF NOT EXISTS counts_by_specimen ON counts (specimen_key);
"""


class Index:
    """The index of one data folder; in memory where the folder cannot be written."""

    def __init__(self, data_folder: Path) -> None:
        self.data_folder = data_folder
        self._database = _opened(data_folder)

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def rebuild(self) -> None:
        """Forget everything and read all folders again."""
        with self._database:
            for table in _TABLE_NAMES:
                self._database.execute(f"DELETE FROM {table}")
        self.refresh()

    def refresh(self) -> None:
        """Read what changed; drop what is gone."""
        known = dict(self._database.execute("SELECT folder, mark FROM runs").fetchall())
        with self._database:
            for folder in run_folders(self.data_folder):
                mark = _mark(folder)
                if known.pop(folder.name, None) != mark:
                    self._put(folder, mark)
            for gone in known:
                self._drop(gone)

    def find(
        self, specimen: str | None = None, instrument: str | None = None, sequence: str | None = None
    ) -> list[Listed]:
        """Runs, oldest first: of a specimen; with an instrument (serial or name); of a sequence (hash, or its
        beginning). All that are given must hold."""
        self.refresh()
        where, values = ["1"], list[str]()
        if specimen is not None:
            where.append("(specimen_key = ? OR folder IN (SELECT folder FROM counts WHERE specimen_key = ?))")
            values += [same_specimen(specimen)] * 2
        if instrument is not None:
            where.append("folder IN (SELECT folder FROM instruments WHERE serial = ? OR name = ?)")
            values += [instrument, instrument]
        if sequence is not None:
            where.append("substr(sequence_sha256, 1, ?) = ?")
            values += [str(len(sequence)), sequence]
        wanted = f"SELECT {', '.join(_COLUMNS)} FROM runs WHERE {' AND '.join(where)} ORDER BY began_utc, run"
        return [Listed(*row) for row in self._database.execute(wanted, values)]

    def counts(self, specimen: str | None = None) -> list[MountRow]:
        """Cycles by run and mount, from the ledgers: of a specimen, or of all. Each run holds its own cycles alone."""
        self.refresh()
        where, values = ("specimen_key = ?", [same_specimen(specimen)]) if specimen is not None else ("1", [])
        wanted = f"SELECT {', '.join(_MOUNT_COLUMNS)} FROM counts WHERE {where} ORDER BY folder, mount"
        return [MountRow(*row) for row in self._database.execute(wanted, values)]

    def _put(self, folder: Path, mark: str) -> None:
        record = read_run(folder)
        self._drop(folder.name)
        facts = _facts(record, folder)
        row = [*(facts[name] for name in _COLUMNS), same_specimen(facts["specimen"]), mark]
        self._database.execute(f"INSERT INTO runs VALUES ({', '.join('?' * len(row))})", row)
        self._database.executemany("INSERT INTO instruments VALUES (?, ?, ?, ?, ?, ?)", _used(record, folder))
        counted = list(_counted(record, folder))
        self._database.executemany("INSERT INTO counts VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", counted)

    def _drop(self, folder: str) -> None:
        for table in _TABLE_NAMES:
            self._database.execute(f"DELETE FROM {table} WHERE folder = ?", (folder,))


def _opened(data_folder: Path) -> sqlite3.Connection:
    path = data_folder / INDEX
    try:
        return _with_tables(path)
    except (
        sqlite3.OperationalError
    ):  # not writable, or another process keeps it: this look does without the file
        return _with_tables(":memory:")
    except sqlite3.DatabaseError:  # damaged: it is only an index
        path.unlink()
        return _with_tables(path)


def _with_tables(where: Path | str) -> sqlite3.Connection:
    database = sqlite3.connect(where, timeout=10.0)
    try:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        if database.execute("PRAGMA user_version").fetchone()[0] != VERSION:
            database.executescript("".join(f"DROP TABLE IF EXISTS {table};" for table in _TABLE_NAMES))
            database.execute(f"PRAGMA user_version = {VERSION}")
        database.executescript(_TABLES)
    except sqlite3.Error:
        database.close()
        raise
    return database


def _mark(folder: Path) -> str:
    """What changes when the run changes: sizes and times of the files that can grow or appear."""
    return " ".join(_stat(folder / name) for name in (JOURNAL, SEAL, AMENDMENTS, LEDGER))


def _stat(path: Path) -> str:
    try:
        found = path.stat()
    except OSError:
        return "-"
    return f"{found.st_size}:{found.st_mtime_ns}"


def _facts(record: RunRecord, folder: Path) -> dict[str, Any]:
    run = summarise(record.entries)
    started, ended = run.started, run.ended
    applied = ended.get("shots_applied", len(run.part("duty")))
    return {
        "run": record.run,
        "folder": folder.name,
        **{key: str(started.get(key) or "") for key in ("specimen", "title", "scenario", "sequence_sha256")},
        "bench": str(started.get("bench") or ""),
        "world": str(started.get("world") or ""),
        "began_utc": str(started.get("utc") or ""),
        "ended_utc": str(ended.get("utc") or ""),
        "outcome": run.outcome if ended else "interrupted",
        "reason": str(ended.get("reason") or ""),
        "verdict": run.overall,
        "shots_applied": int(applied or 0),
        "cycles": max((one.confirmed for one in own_counts(record).values()), default=None),
        "started_by": str((started.get("started_by") or {}).get("name") or ""),
        "sealed": int(record.sealed),
        "amendments": len(record.amendments.lines),
    }


def _used(record: RunRecord, folder: Path) -> Iterator[tuple[str, ...]]:
    for entry in record.of("instrument"):
        keys = ("name", "maker", "model", "serial", "calibration_due")
        yield (folder.name, *(str(entry.get(key) or "") for key in keys))


def _counted(record: RunRecord, folder: Path) -> Iterator[tuple[Any, ...]]:
    specimens = dict(enumerate(specimens_of(record), 1))
    for mount, one in own_counts(record).items():
        name = specimens.get(mount, "")
        yield (
            folder.name, mount, name, same_specimen(name), one.first, one.last, one.commanded,
            one.position_confirmed, one.confirmed, one.malfunctions,
        )  # fmt: skip
