"""Is this record still what was written? Every file is looked at, and every finding says where.

What can be found depends on what is there. The seal finds every change of a file it lists, and of itself.
The list of heads, kept outside the run folder, finds a seal or an amendment that was dropped; without it the
end cannot be confirmed. A run that was interrupted has no seal: its journal's last line is bound by nothing.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any, Literal

from orchestrator.record.amend import issued_reports
from orchestrator.record.chain import check_holds, sha256_hex
from orchestrator.record.journal import JOURNAL
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_check import check_anomalies, check_counts, check_segments, checked_up_to
from orchestrator.record.ledger_table import HEADING_LINES, LedgerRows, examine
from orchestrator.record.reader import (
    AMENDMENTS,
    ENVIRONMENT,
    ENVIRONMENT_HASH,
    NOT_IN_SEAL,
    SEAL,
    RunRecord,
    files_of,
    read_run,
)
from orchestrator.record.seal import SEAL_FORMAT, Heads
from orchestrator.record.specimens import run_folders
from orchestrator.record.store import PART, TORN, StorageFault, Store

Weight = Literal["wrong", "note"]


@dataclass(frozen=True)
class Finding:
    """One thing found: in which file, in which line (from 1) where that can be said, and what.

    A `note` needs no action and does not make the record doubtful.
    """

    file: str
    line: int | None
    what: str
    weight: Weight = "wrong"

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.what}"


@dataclass(frozen=True)
class Verification:
    """The answer. `ok` needs a seal that holds and nothing wrong; `end_confirmed` needs the list of heads.

    `checked` says for each file what it was held against.
    """

    run: str
    ok: bool
    interrupted: bool
    end_confirmed: bool
    findings: list[Finding]
    checked: dict[str, str]
    sentence: str


@dataclass
class _Look:
    """What one look at a run folder gathers."""

    record: RunRecord
    names: list[str]
    findings: list[Finding] = field(default_factory=list)
    checked: dict[str, str] = field(default_factory=dict)
    sealed_utc: str = ""

    def wrong(self, file: str, what: str, line: int | None = None) -> None:
        self.findings.append(Finding(file, line, what))

    def note(self, file: str, what: str, line: int | None = None) -> None:
        self.findings.append(Finding(file, line, what, "note"))

    def read(self, name: str) -> bytes | None:
        try:
            return self.record.files.read(name)
        except StorageFault as fault:
            self.wrong(name, fault.sentence)
            return None


def verify(source: Path | str | Store, heads: Heads | None) -> Verification:
    """Look at every file of a run folder. Raises NoRecord where there is no folder at all."""
    files = files_of(source)
    names = files.names()
    if JOURNAL not in names:
        return _without_journal(source, names)
    look = _Look(read_run(source), names)
    _look_at_journal(look)
    known = _known_heads(look, heads)
    seal = _look_at_seal(look)
    if seal is None and SEAL not in names and any(head["kind"] == "seal" for head in known or []):
        look.wrong(SEAL, "is missing: the list of heads holds a seal of this run")
    _look_at_amendments(look)
    _look_at_environment(look)
    _look_at_captures(look)
    _look_at_ledger(look)
    if known is not None:
        _compare_with_heads(look, known)
    return _conclude(look, known is not None, SEAL in names)


def missing_runs(data_folder: Path) -> list[str]:
    """Runs that the list of heads knows and of which there is no folder."""
    there = {read_run(folder).run for folder in run_folders(data_folder)}
    listed = (str(entry.get("run")) for entry in Heads.of(data_folder).read().entries)
    return [run for run in dict.fromkeys(listed) if run not in there]


def _without_journal(source: Path | str | Store, names: list[str]) -> Verification:
    name = Path(source).resolve().name if isinstance(source, (str, Path)) else "run in memory"
    finding = Finding(JOURNAL, None, "is missing: it is the record itself")
    sentence = f"{name}: the record does not hold: {finding}."
    return Verification(name, False, SEAL not in names, False, [finding], {}, sentence)


def _look_at_journal(look: _Look) -> None:
    journal = look.record.journal
    look.checked[JOURNAL] = f"{len(journal.lines)} lines, each held against the hash in the next"
    for found in journal.breaks:
        look.wrong(JOURNAL, found.what, found.line)
    if not look.record.sealed and journal.torn:
        text = (
            f"{len(journal.torn)} torn bytes behind the last whole line are kept aside, no part of the record"
        )
        look.note(JOURNAL, text, len(journal.lines) + 1)
    for entry in journal.entries:
        if lost := entry.get("not_written"):
            kinds = ", ".join(str(kind) for kind in lost)
            look.note(
                JOURNAL, f"entries before this one could not be written at the time: {kinds}", entry["n"]
            )


def _look_at_seal(look: _Look) -> dict[str, Any] | None:
    """The seal, if it holds by itself."""
    data = look.read(SEAL) if look.record.sealed else None
    if data is None:
        return None
    seal = _parsed_seal(data)
    if seal is None:
        look.wrong(SEAL, "was changed: it does not pass its own check")
        return None
    look.checked[SEAL] = "its own check"
    look.sealed_utc = str(seal["utc"])
    _compare_journal(look, seal)
    _compare_files(look, seal["files"])
    return seal


def _parsed_seal(data: bytes) -> dict[str, Any] | None:
    if not check_holds(data):
        return None
    seal = json.loads(data)
    return seal if seal.get("format") == SEAL_FORMAT else None


def _compare_journal(look: _Look, seal: dict[str, Any]) -> None:
    journal = look.record.journal
    count = len(journal.lines)
    if count != seal["count"]:
        look.wrong(JOURNAL, f"ends with line {count}, the seal counts {seal['count']}", count)
    elif journal.head != seal["head"]:
        look.wrong(JOURNAL, "was changed: the seal holds another hash of it", count)
    if len(journal.torn) != seal["torn_bytes"]:
        look.wrong(
            JOURNAL, f"{len(journal.torn)} bytes behind the last line end, sealed were {seal['torn_bytes']}"
        )
    elif journal.torn:
        look.note(JOURNAL, f"{len(journal.torn)} torn bytes at its end were there when it was sealed")


def _compare_files(look: _Look, sealed: dict[str, dict[str, Any]]) -> None:
    issued = {entry["what"]["file"]: entry["what"] for entry in issued_reports(look.record)}
    for name, facts in (sealed | issued).items():
        _compare_file(look, name, facts, "as sealed" if name in sealed else "as issued")
    for name in look.names:
        if name not in sealed and name not in issued and name not in NOT_IN_SEAL:
            made = "was never finished, delete it" if name.endswith(PART) else "was put there later"
            look.wrong(name, f"is neither in the seal nor issued by an amendment: it {made}")


def _compare_file(look: _Look, name: str, facts: dict[str, Any], how: str) -> None:
    if name not in look.names:
        look.wrong(name, "is missing")
        return
    data = look.read(name)
    if data is None:
        return
    if len(data) != facts["bytes"]:
        look.wrong(name, f"has {len(data)} bytes, {how} it had {facts['bytes']}")
    elif sha256_hex(data) != facts.get("sha256"):
        look.wrong(name, f"was changed: its contents are not {how}")
    look.checked[name] = (
        f"{look.checked[name]}; {how}" if name in look.checked else f"{how}, {len(data)} bytes"
    )


def _look_at_amendments(look: _Look) -> None:
    amendments = look.record.amendments
    for found in amendments.breaks:
        look.wrong(AMENDMENTS, found.what, found.line)
    if amendments.torn:
        text = f"{len(amendments.torn)} torn bytes behind the last whole line are kept aside"
        look.note(AMENDMENTS, text, len(amendments.lines) + 1)
    for number in amendments.set_aside:
        look.note(AMENDMENTS, "is a torn line; the line after it says so", number)
    if AMENDMENTS in look.names:
        look.checked[AMENDMENTS] = f"{len(amendments.lines)} amendments, from the seal on"
        if not amendments.lines and not amendments.torn:
            look.note(AMENDMENTS, "is empty")


def _look_at_environment(look: _Look) -> None:
    there = [name for name in (ENVIRONMENT, ENVIRONMENT_HASH) if name in look.names]
    named = bool(look.record.first("environment"))
    for name in (ENVIRONMENT, ENVIRONMENT_HASH):
        if name not in there and (there or named):
            look.wrong(name, "is missing")
    if len(there) < 2:
        return
    environment, written = look.read(ENVIRONMENT), look.read(ENVIRONMENT_HASH)
    if environment is None or written is None:
        return
    digest = sha256_hex(environment)
    if written != f"{digest}  {ENVIRONMENT}\n".encode():
        look.wrong(ENVIRONMENT, f"or {ENVIRONMENT_HASH} was changed: the hash is not that of the file")
    look.checked[ENVIRONMENT] = f"the hash in {ENVIRONMENT_HASH}"


def _look_at_captures(look: _Look) -> None:
    """Captures against the hash that the journal took before anything was computed from them."""
    for entry in look.record.of("capture"):
        name = str(entry.get("file"))
        if name not in look.names:
            look.wrong(name, f"is missing: line {entry['n']} of the journal names it")
            continue
        data = look.read(name)
        if data is not None and sha256_hex(data) != entry.get("sha256"):
            look.wrong(name, f"is not the capture that line {entry['n']} of the journal names")
        look.checked.setdefault(name, "the hash in the journal")


def _look_at_ledger(look: _Look) -> None:
    """The ledger by itself, and against what the journal says of it."""
    begun = look.record.last("cycles_started")
    if LEDGER not in look.names:
        if begun:
            look.wrong(LEDGER, f"is missing: line {begun['n']} of the journal began cycles")
        return
    data = look.read(LEDGER)
    if data is None:
        return
    found = examine(data)
    for one in found.findings:
        look.wrong(LEDGER, one.what, one.line)
    rows, segments = found.rows, list(look.record.of("segment"))
    if not found.findings:
        checks = (
            check_segments(segments, rows, data),
            check_counts(begun, segments, rows),
            check_anomalies(look.record.of("anomaly"), rows),
        )
        for what in chain.from_iterable(checks):
            look.wrong(LEDGER, what)
    _note_on_ledger(look, rows, checked_up_to(segments))
    how = f"{len(rows)} rows, each by its own check; segment hashes in the journal"
    look.checked[LEDGER] = f"{how}; {look.checked[LEDGER]}" if LEDGER in look.checked else how


def _note_on_ledger(look: _Look, rows: LedgerRows, upto: int) -> None:
    """What is no damage and has to be known all the same."""
    line = HEADING_LINES + len(rows) + 1
    if rows.torn:
        text = f"{len(rows.torn)} torn bytes behind the last whole row are kept aside, no part of the record"
        look.note(LEDGER, text, line)
    for gap in rows.gaps:
        mounts = ", ".join(map(str, gap.mounts))
        look.note(LEDGER, f"has no row between the cycles {gap.after} and {gap.before} of mount {mounts}")
    behind = int((rows.cycle > upto).sum())
    if behind and not look.record.sealed:
        text = f"{behind} rows behind the last segment in the journal are held by their own checks alone"
        look.note(LEDGER, text, line - behind)
    for name in look.names:
        if name.startswith(f"{LEDGER}{TORN}"):
            look.note(name, f"holds torn bytes that stood behind a last whole row of {LEDGER}")


def _known_heads(look: _Look, heads: Heads | None) -> list[dict[str, Any]] | None:
    """This run's lines of the list of heads; None where there is no list that could confirm the end."""
    if heads is None:
        return None
    file = heads.path.name
    if look.record.rehearsal and look.record.run not in {e.get("run") for e in heads.read().entries}:
        return None  # a rehearsal never enters a list
    if not heads.path.is_file():
        look.wrong(file, "is missing: without the list of heads the end cannot be confirmed")
        return None
    listed = heads.read()
    for found in listed.breaks:
        look.wrong(file, found.what, found.line)
    if listed.torn:
        look.note(file, f"{len(listed.torn)} torn bytes behind the last whole line", len(listed.lines) + 1)
    look.checked[file] = f"{len(listed.lines)} lines, each held against the hash in the next"
    return [entry for entry in listed.entries if entry.get("run") == look.record.run]


def _compare_with_heads(look: _Look, known: list[dict[str, Any]]) -> None:
    seals = [head.get("sha256") for head in known if head.get("kind") == "seal"]
    data = look.read(SEAL) if look.record.sealed else None
    if data is not None and not seals:
        look.wrong(SEAL, "is not in the list of heads: the list was cut, or the run was never entered")
    elif data is not None and seals != [sha256_hex(data)]:
        look.wrong(SEAL, "is not the seal that the list of heads holds")
    amendments = [str(head.get("sha256")) for head in known if head.get("kind") == "amendment"]
    there = [line.sha256 for line in look.record.amendments.lines]
    for finding in _amendments_against(amendments, there):
        look.findings.append(finding)


def _amendments_against(listed: list[str], there: list[str]) -> Iterator[Finding]:
    for number, digest in enumerate(listed, 1):
        if number > len(there):
            yield Finding(AMENDMENTS, None, f"amendment {number} is missing: the list of heads holds it")
        elif there[number - 1] != digest:
            yield Finding(AMENDMENTS, number, "is not the amendment that the list of heads holds")
    for number in range(len(listed) + 1, len(there) + 1):
        yield Finding(
            AMENDMENTS, number, "is not in the list of heads: the list was cut, or it was never entered"
        )


def _conclude(look: _Look, with_heads: bool, sealed: bool) -> Verification:
    wrong = [finding for finding in look.findings if finding.weight == "wrong"]
    ok = sealed and not wrong
    run = look.record.run
    return Verification(
        run,
        ok,
        not sealed,
        with_heads and ok,
        look.findings,
        dict(sorted(look.checked.items())),
        f"{run}: {_sentence(look, wrong, with_heads, sealed)}",
    )


def _sentence(look: _Look, wrong: list[Finding], with_heads: bool, sealed: bool) -> str:
    count = len(look.record.journal.lines)
    if wrong:
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        return f"the record does not hold: {wrong[0]}{more}. Keep the folder as it is and find out why."
    if not sealed:
        return f"interrupted: no seal; its {count} whole lines hold, what came after them is not recorded."
    amended = len(look.record.amendments.lines)
    amendments = f" and {amended} amendment{'s' if amended > 1 else ''}" if amended else ""
    whole = (
        f"the record is whole: {count} lines, {len(look.names)} files{amendments}, sealed {look.sealed_utc}"
    )
    return f"{whole}." if with_heads else f"{whole}. The end cannot be confirmed: no list of heads was given."
