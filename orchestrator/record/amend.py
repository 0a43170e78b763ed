"""Amendments: what is said about a run after its end. Nothing is changed in place (ISO/IEC 17025, 7.5.2).

Each amendment is one line of `amendments.jsonl`: who, when, why, what. The first holds the hash of the seal
(of the journal's last line where the run was interrupted and has none), each further one the hash of the line
before it; and each goes into the data folder's list of heads.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.record.chain import next_line, read_chain, sha256_hex
from orchestrator.record.journal import Clock, plain, stamp
from orchestrator.record.reader import AMENDMENTS, RunRecord, read_run
from orchestrator.record.seal import Heads, append_durably
from orchestrator.record.store import FolderStore

REMARK = "remark"
CORRECTION = "correction"
REPORT_ISSUED = "report issued"


class Refused(Exception):
    """The amendment makes no sense for this record; the text says why and what to do."""


@dataclass(frozen=True)
class Author:
    """Who amends, how that is known ("peer" by the operating system, "declared" by the person), and why."""

    name: str
    how: str
    reason: str

    def __post_init__(self) -> None:
        _required(self.name, "a name")
        _required(self.reason, "a reason")


@dataclass(frozen=True)
class Amender:
    """Adds amendments to one run folder."""

    folder: Path
    heads: Heads
    clock: Clock

    def remark(self, author: Author, text: str) -> dict[str, Any]:
        """Say something about the run."""
        return self._add(REMARK, author, {"text": _required(text, "a text")})

    def correct(self, author: Author, entry_n: int, reading: str, value: str) -> dict[str, Any]:
        """Correct a manual reading: entry `entry_n` of the journal keeps what was written then."""
        return self._add(CORRECTION, author, _correction(read_run(self.folder), entry_n, reading, value))

    def issue_report(self, author: Author, data: bytes, suffix: str = "html") -> dict[str, Any]:
        """Put a report into the run folder, as a new revision that replaces the one before."""
        with self.heads.locked():
            run = read_run(self.folder)
            issued = list(issued_reports(run))
            revision = len(issued) + 1
            name = _free_name(run, revision, suffix)
            _require_whole(run)
            store = FolderStore(self.folder)
            digest = store.create(name, data)
            what = {"file": name, "sha256": digest, "bytes": len(data), "revision": revision}
            if issued:
                what["replaces"] = issued[-1]["what"]["file"]
            return self._add_locked(REPORT_ISSUED, author, what)

    def _add(self, kind: str, author: Author, what: dict[str, Any]) -> dict[str, Any]:
        with self.heads.locked():
            return self._add_locked(kind, author, what)

    def _add_locked(self, kind: str, author: Author, what: dict[str, Any]) -> dict[str, Any]:
        run = read_run(self.folder)
        _require_whole(run)
        entry = {
            "utc": stamp(self.clock.utc()),
            "kind": kind,
            "by": {"name": author.name.strip(), "how": author.how},
            "reason": author.reason.strip(),
            "what": plain(what),
        }
        line = next_line(run.amendments, entry)
        append_durably(self.folder, AMENDMENTS, line)
        self.heads.append_locked(run.run, "amendment", sha256_hex(line.removeprefix(b"\n")))
        return read_chain(line.removeprefix(b"\n")).entries[0]


def issued_reports(run: RunRecord) -> list[dict[str, Any]]:
    """The amendments that issued a report, oldest first."""
    return [entry for entry in run.amendments.entries if entry.get("kind") == REPORT_ISSUED]


def corrections(run: RunRecord) -> dict[tuple[int, str], dict[str, Any]]:
    """For each corrected reading (entry number, name) its latest correction."""
    found: dict[tuple[int, str], dict[str, Any]] = {}
    for entry in run.amendments.entries:
        if entry.get("kind") == CORRECTION:
            what = entry["what"]
            found[(what["entry"], what["reading"])] = entry
    return found


def _correction(run: RunRecord, entry_n: int, reading: str, value: str) -> dict[str, Any]:
    entry = next((entry for entry in run.entries if entry.get("n") == entry_n), {})
    readings = entry.get("readings") or {}
    if reading not in readings:
        known = [f"{e['n']} {name}" for e in run.of("answered") for name in e.get("readings") or {}]
        there = ", ".join(known) or "none"
        raise Refused(
            f"Entry {entry_n} of the journal holds no manual reading {reading!r}. "
            f"Manual readings in this record: {there}."
        )
    was = corrections(run).get((entry_n, reading))
    before = was["what"]["now"] if was else readings[reading]
    return {"entry": entry_n, "reading": reading, "was": before, "now": _required(value, "a new value")}


def _required(text: str, what: str) -> str:
    if not text.strip():
        raise Refused(f"An amendment needs {what}; it was empty.")
    return text.strip()


def _require_whole(run: RunRecord) -> None:
    if run.journal.breaks or run.amendments.breaks:
        raise Refused(
            f"The record of {run.run} does not hold, so nothing is added to it. "
            "`benchward record verify` says where it was changed."
        )


def _free_name(run: RunRecord, revision: int, suffix: str) -> str:
    taken = set(run.files.names())
    wanted = [f"report-{revision}.{suffix}", *(f"report-{revision}{letter}.{suffix}" for letter in "bcdefgh")]
    if revision == 1:
        wanted.insert(0, f"report.{suffix}")
    return next(name for name in wanted if name not in taken)
