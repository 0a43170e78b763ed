"""Where a daemon keeps its data, its sockets and its locks. Standard library only: every command loads this.

The socket folder has a short name of its own, because a Unix socket's path may have no more than 107 bytes. A daemon
writes it into `daemon.json` of its data folder, so that a person with another environment finds it all the same.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DATA = "BENCHWARD_DATA"
USUAL_DATA = "benchward-data"
DAEMON = "daemon.json"


class WrongPlace(Exception):
    """A folder that cannot be used; one sentence."""


def data_folder(given: str | Path | None = None) -> Path:
    """The data folder: as given, else $BENCHWARD_DATA, else ./benchward-data; resolved, not made."""
    return Path(given or os.environ.get(DATA) or USUAL_DATA).expanduser().resolve()


def runtime_folder() -> Path:
    """The folder of this user's socket folders."""
    base = os.environ.get("XDG_RUNTIME_DIR") or "/tmp"
    return Path(base) / f"benchward-{os.getuid()}"


@dataclass(frozen=True)
class Places:
    """The paths of one daemon."""

    data: Path
    sockets: Path

    @property
    def engine_sock(self) -> Path:
        return self.sockets / "engine.sock"

    @property
    def monitor_sock(self) -> Path:
        return self.sockets / "monitor.sock"

    @property
    def abort_sock(self) -> Path:
        return self.sockets / "abort.sock"

    @property
    def api_sock(self) -> Path:
        return self.sockets / "api.sock"

    @property
    def bench_file(self) -> Path:
        """The bench file as the daemon read it: changes of the original count from the next start on."""
        return self.sockets / "bench.yaml"

    @property
    def rules_file(self) -> Path:
        return self.sockets / "rules.json"

    @property
    def logs(self) -> Path:
        return self.data / "logs"

    @property
    def unacknowledged(self) -> Path:
        """There while a failure of the software waits for an engineer's acknowledgement."""
        return self.data / "unacknowledged.json"

    @property
    def acts(self) -> Path:
        """Acts of persons outside of runs, a line each."""
        return self.data / "acts.jsonl"


def places_for(data: Path) -> Places:
    """The places a daemon of this data folder would use."""
    name = hashlib.sha256(str(data.resolve()).encode()).hexdigest()[:12]
    return Places(data.resolve(), runtime_folder() / name)


def places_of_running(data: Path) -> Places:
    """The places of the daemon that serves this data folder, as it wrote them down; its usual ones otherwise."""
    written = daemon_facts(data)
    sockets = written.get("sockets")
    return Places(data.resolve(), Path(sockets)) if isinstance(sockets, str) else places_for(data)


def daemon_facts(data: Path) -> dict[str, Any]:
    """What the last daemon of this folder wrote down: pid, bench, sockets; empty where there was none."""
    try:
        facts = json.loads((data / DAEMON).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return facts if isinstance(facts, dict) else {}


def make_folders(places: Places, group: str | None) -> None:
    """Make data and socket folders; only this user enters the latter, and the group where there is one."""
    try:
        places.data.mkdir(parents=True, exist_ok=True)
        places.logs.mkdir(exist_ok=True)
        _make_private(places.sockets.parent, None, 0o711 if group else 0o700)
        _make_private(places.sockets, group, 0o750 if group else 0o700)
    except OSError as error:
        raise WrongPlace(f"{error.filename}: {error.strerror or error}") from error
    except LookupError as error:
        raise WrongPlace(f"the bench file's group '{group}' is not known here: {error}") from error


def _make_private(folder: Path, group: str | None, mode: int) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if folder.is_symlink() or folder.stat().st_uid != os.getuid():
        raise WrongPlace(f"{folder} belongs to somebody else: it cannot hold the sockets")
    if group is not None:
        shutil.chown(folder, group=group)
    if mode & ~folder.stat().st_mode or group is not None:
        folder.chmod(mode)
