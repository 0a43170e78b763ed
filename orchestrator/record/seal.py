"""The seal at the end of a run, and the list of heads beside the run folders.

`seal.json` holds the journal's head and count, and the sha256 and size of every file of the run folder but
itself, the amendments and the environment (`environment.json` names versions, host and paths and has its
hash in `environment.sha256`, so that equal runs have equal seals).

`heads.jsonl` stands in the data folder and only grows: one line for each seal and each amendment of any run.
A seal or an amendment that was dropped from a run folder is found by it.
"""

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from orchestrator.record.chain import Chain, encode_checked, next_line, read_chain, sha256_hex
from orchestrator.record.journal import JOURNAL, Clock, Journal, plain, stamp
from orchestrator.record.reader import ENVIRONMENT, ENVIRONMENT_HASH, NOT_IN_SEAL, SEAL
from orchestrator.record.store import FolderStore, StorageFault, Store

SEAL_FORMAT = "benchward seal 1"
HEADS = "heads.jsonl"


@dataclass(frozen=True)
class Seal:
    """A seal as it was written; `sha256` is the hash of `seal.json` itself."""

    run: str
    head: str
    count: int
    files: dict[str, dict[str, Any]]
    sha256: str


def seal(store: Store, journal: Journal, clock: Clock) -> Seal:
    """Close a run: hash what is there, write `seal.json`. Its `sha256` then belongs in the list of heads.

    Raises StorageFault if it cannot be written, or if the file holds another journal than was written (the
    disk did not confirm its last line): such a run stays without a seal and shows as interrupted.
    """
    kept = store.read(JOURNAL)
    measured = _measured(kept)
    torn_bytes = 0
    if measured["sha256"] != journal.sha256:  # not just what was written: what is it then?
        chain = read_chain(kept)
        torn_bytes = len(chain.torn)
        holds = chain.head == journal.head and not chain.breaks
    else:
        holds = True
    if not holds:
        raise StorageFault(
            JOURNAL, "does not hold what was written to it", "The run stays interrupted; check the disk."
        )
    names = [name for name in store.names() if name not in NOT_IN_SEAL]
    files = {name: measured if name == JOURNAL else _measured(store.read(name)) for name in names}
    run = str(next((entry["run"] for entry in journal.entries if "run" in entry), ""))
    facts = {
        "format": SEAL_FORMAT,
        "run": run,
        "utc": stamp(clock.utc()),
        "head": journal.head,
        "count": journal.count,
        "torn_bytes": torn_bytes,
        "files": files,
    }
    return Seal(run, journal.head, journal.count, files, store.create(SEAL, encode_checked(facts, indent=1)))


def _measured(data: bytes) -> dict[str, Any]:
    return {"sha256": sha256_hex(data), "bytes": len(data)}


def write_environment(store: Store, environment: dict[str, Any]) -> str:
    """Write `environment.json` and its hash beside it (as `sha256sum -c` reads it); the hash."""
    text = json.dumps(plain(environment, str), ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    digest = store.create(ENVIRONMENT, text.encode("utf-8", "backslashreplace"))
    store.create(ENVIRONMENT_HASH, f"{digest}  {ENVIRONMENT}\n".encode())
    return digest


def append_durably(folder: Path, name: str, data: bytes) -> None:
    """Add bytes to one file and make them durable. Raises StorageFault."""
    store = FolderStore(folder)
    try:
        store.append(name, data)
        store.sync(name)
    finally:
        store.close()


class Heads:
    """The append-only list of seal and amendment heads of a data folder. Several processes may add to it."""

    def __init__(self, path: Path | str) -> None:
        """`path` is the list itself, usually `heads.jsonl` in the data folder; it need not be there yet."""
        self.path = Path(path)

    @classmethod
    def of(cls, data_folder: Path) -> "Heads":
        """The list of a data folder."""
        return cls(data_folder / HEADS)

    def append(self, run: str, kind: Literal["seal", "amendment"], sha256: str) -> dict[str, Any]:
        """Add a head; durable when this returns. Raises StorageFault."""
        with self.locked():
            return self.append_locked(run, kind, sha256)

    def append_locked(self, run: str, kind: Literal["seal", "amendment"], sha256: str) -> dict[str, Any]:
        """The same for a caller that holds `locked`."""
        line = next_line(self.read(), {"run": run, "kind": kind, "sha256": sha256})
        append_durably(self.path.parent, self.path.name, line)
        return dict(json.loads(line))

    def read(self) -> Chain:
        """The list as it stands; empty where there is none."""
        try:
            return read_chain(self.path.read_bytes(), checked=True)
        except FileNotFoundError:
            return read_chain(b"")
        except OSError as error:
            what = f"could not be read ({error.strerror or error})"
            raise StorageFault(str(self.path), what, "Check the disk and the rights.") from error

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other processes from adding to this list, or to the amendments of its runs."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except OSError as error:
            what = f"could not be opened ({error.strerror or error})"
            raise StorageFault(str(self.path), what, "Check the data folder and its rights.") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)
