"""Reading a run folder: what the record of a run says, whether or not it is whole.

Nothing here judges: `verify` does. A record that was damaged is read as far as it can be read.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from orchestrator.record.chain import Chain, read_chain, sha256_hex
from orchestrator.record.journal import JOURNAL
from orchestrator.record.store import StorageFault, Store

SEAL = "seal.json"
AMENDMENTS = "amendments.jsonl"
ENVIRONMENT = "environment.json"
ENVIRONMENT_HASH = "environment.sha256"
SHEET = "sheet.txt"
NOT_IN_SEAL = frozenset({SEAL, AMENDMENTS, ENVIRONMENT, ENVIRONMENT_HASH})


class NoRecord(Exception):
    """There is no run folder where one was named; the text says what was looked for, and what to do."""


class Files(Protocol):
    """The reading half of a store."""

    def names(self) -> list[str]:
        """Every file, sorted."""

    def read(self, name: str) -> bytes:
        """The whole file."""


class Folder:
    """The files of a folder on disk; nothing is made or written. A link counts as a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def names(self) -> list[str]:
        found = (item for item in self.path.rglob("*") if item.is_symlink() or not item.is_dir())
        return sorted(item.relative_to(self.path).as_posix() for item in found)

    def read(self, name: str) -> bytes:
        try:
            return (self.path / name).read_bytes()
        except OSError as error:
            what = f"could not be read ({error.strerror or error})"
            raise StorageFault(name, what, "Check the disk and the rights.") from error


def files_of(source: Path | str | Store) -> Files:
    """The files of a run, given as its folder or as a store. Raises NoRecord."""
    if not isinstance(source, (str, Path)):
        return source
    path = Path(source)
    if not path.is_dir():
        raise NoRecord(f"{path} is no run folder. `benchward record list` shows the runs there are.")
    return Folder(path)


@dataclass(frozen=True)
class RunRecord:
    """What a run folder says: the whole lines of its journal and of its amendments.

    `sealed` says that there is a seal, not that it holds.
    """

    name: str
    files: Files
    journal: Chain
    amendments: Chain
    sealed: bool

    @property
    def entries(self) -> list[dict[str, Any]]:
        """The journal, entry by entry."""
        return self.journal.entries

    @property
    def run(self) -> str:
        """The run's own name, or the folder's where the journal does not tell."""
        return str(self.first("run_started").get("run") or self.name)

    @property
    def rehearsal(self) -> bool:
        """Whether nothing in this record was done to a real specimen."""
        return is_rehearsal(self.entries)

    def of(self, kind: str) -> Iterator[dict[str, Any]]:
        """All entries of a kind."""
        return of(self.entries, kind)

    def first(self, kind: str) -> dict[str, Any]:
        """The first entry of a kind, or an empty one."""
        return next(self.of(kind), {})

    def last(self, kind: str) -> dict[str, Any]:
        """The last entry of a kind, or an empty one."""
        return last(self.entries, kind)


def of(entries: list[dict[str, Any]], kind: str) -> Iterator[dict[str, Any]]:
    """All entries of a kind."""
    return (entry for entry in entries if entry.get("kind") == kind)


def last(entries: list[dict[str, Any]], kind: str) -> dict[str, Any]:
    """The last entry of a kind, or an empty one."""
    return next((entry for entry in reversed(entries) if entry.get("kind") == kind), {})


def is_rehearsal(entries: list[dict[str, Any]]) -> bool:
    """Whether the run says of itself that it was rehearsed."""
    return any(entry.get("world") == "rehearsal" for entry in of(entries, "run_started"))


def read_run(source: Path | str | Store) -> RunRecord:
    """Read a run folder or store as far as it can be read. Raises NoRecord where there is no journal."""
    files = files_of(source)
    names = files.names()
    if JOURNAL not in names:
        raise NoRecord(f"{source} holds no {JOURNAL}: it is no run folder, or its journal is gone.")
    journal = read_chain(files.read(JOURNAL))
    amendments = read_chain(
        files.read(AMENDMENTS) if AMENDMENTS in names else b"", amendment_origin(files), checked=True
    )
    name = Path(source).resolve().name if isinstance(source, (str, Path)) else "run in memory"
    return RunRecord(name, files, journal, amendments, SEAL in names)


def amendment_origin(files: Files) -> str:
    """What the first amendment's `prev` must be: the seal's hash, or the journal's head without a seal."""
    names = files.names()
    if SEAL in names:
        return sha256_hex(files.read(SEAL))
    return read_chain(files.read(JOURNAL)).head if JOURNAL in names else read_chain(b"").head
