"""The daemon's processes: each in a session of its own, so that a terminal's signals reach the daemon alone."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

LAST_LINES = 5


@dataclass
class Child:
    """One process and where it writes what it says."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path

    @property
    def pid(self) -> int:
        return self.process.pid

    def ended(self) -> int | None:
        """Its exit code, None while it runs."""
        return self.process.poll()

    def tell_to_end(self) -> None:
        """Ask it to end by its own way to safe."""
        with contextlib.suppress(ProcessLookupError):
            self.process.terminate()

    def wait(self, within_s: float) -> int | None:
        """Its exit code, or None when it did not end in time."""
        try:
            return self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            return None

    def kill(self) -> None:
        """For what does not end by itself: the layers below make the bench safe."""
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        self.process.wait()

    def last_words(self) -> str:
        """The end of what it said."""
        try:
            lines = self.log.read_text(errors="replace").splitlines()
        except OSError:
            return ""
        return "\n".join(lines[-LAST_LINES:])


def begin(
    name: str,
    module: str,
    arguments: Sequence[str],
    log: Path,
    secrets: Mapping[str, str],
    fds: Sequence[int],
) -> Child:
    """Start `python -m module`; it inherits the descriptors named, and says what it has to say into `log`."""
    environment = {**os.environ, **secrets}
    with log.open("ab") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=file,
            env=environment,
            pass_fds=tuple(fds),
            start_new_session=True,
        )
    return Child(name, process, log)
