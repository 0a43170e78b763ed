"""What the tests of bad days share: a small real disk, a cable that is cut in the middle of a block, and the judging.

Every ending of a bad day leaves the bench safe by the plant's own truth log, or the start blocked; it loses nothing
that was promised; and it is told in one sentence: what happened, whether it is safe, what to do next.
"""

from __future__ import annotations

import os
import re
import selectors
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from orchestrator.core.reasons import EXPLANATIONS, Reason
from orchestrator.record.reader import read_run
from orchestrator.record.specimens import past_run
from tests.run.worlds import Ending

FULL = bool(os.environ.get("BENCHWARD_FULL"))
SAFE = {"high_voltage": "open", "leakage": "open", "discharge": "closed", "earth": "closed"}
SAFETY = re.compile(
    r"Off is proven\.|OFF IS NOT PROVEN: treat the bench as live|not known whether the bench is off"
)

Facts = dict[str, Any]


# --------------------------------------------------------------------------- judging


def contactors(truth: list[Facts]) -> dict[str, str]:
    """Where every contactor stood last; one that never moved stands as the bench was switched on: safe."""
    return SAFE | {e["name"]: e["state"] for e in truth if e["event"] == "contactor"}


def assert_one_sentence(sentence: str, reason: Reason) -> None:
    """What happened, whether it is safe, what to do next, in this order and on one line."""
    explanation = EXPLANATIONS[reason]
    safety = SAFETY.search(sentence)
    assert sentence.startswith(explanation.happened), sentence
    assert safety is not None, sentence
    assert explanation.advice in sentence[safety.end() :], sentence
    assert "\n" not in sentence
    assert "Traceback" not in sentence


def assert_bad_day_ended_well(ending: Ending, reason: Reason, fired_before: int = 0) -> None:
    """Safe by the truth, told in one sentence, and no shot that the record does not know of."""
    assert ending.end.cause.reason is reason, (ending.end.cause, ending.end.later)
    assert contactors(ending.truth) == SAFE
    assert ending.end.off_proven is True
    assert_one_sentence(ending.end.sentence, reason)
    fired = len([e for e in ending.happened("shot")[fired_before:] if e["connection"] == "specimen"])
    assert fired <= past_run(read_run(ending.store)).shots_applied


# --------------------------------------------------------------------------- a small disk


@contextmanager
def small_disk(folder: Path, megabytes: int = 32, options: str = "") -> Iterator[Path]:
    """A real file system of that size at `folder`; skips by name where mounting is not allowed."""
    folder.mkdir(parents=True, exist_ok=True)
    asked = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m{options}", "tmpfs", str(folder)]
    try:
        done = subprocess.run(asked, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"a small disk cannot be mounted here: {error}")
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(folder: Path, leave_bytes: int = 0) -> Path:
    """Write until the disk has only so much left; the file that does it."""
    ballast = folder / "ballast"
    space = os.statvfs(folder)
    wanted = max(0, space.f_bavail * space.f_frsize - leave_bytes)
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, wanted)
    return ballast


def remount(folder: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(folder)], check=True)


# --------------------------------------------------------------------------- a cut cable


class CutCable(threading.Thread):
    """Stands between the engine and a device. Armed, it cuts everything in the middle of the next block, for good.

    "Everything": the connection and the listener, as when somebody pulls the plug of the instrument.
    """

    def __init__(self, port: int, after_bytes: int = 1000) -> None:
        super().__init__(daemon=True)
        self._device = ("127.0.0.1", port)
        self._after_bytes = after_bytes
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.armed = False
        self.cut = threading.Event()
        self.start()

    def run(self) -> None:
        try:
            while not self.cut.is_set():
                here, _ = self._listener.accept()
                with here, socket.create_connection(self._device) as there:
                    self._carry(here, there)
        except OSError:
            pass
        self._listener.close()

    def end(self) -> None:
        self.cut.set()
        self._listener.close()

    def _carry(self, here: socket.socket, there: socket.socket) -> None:
        """Until one side closes, or the block has come so far."""
        with selectors.DefaultSelector() as selector:
            selector.register(here, selectors.EVENT_READ, there)
            selector.register(there, selectors.EVENT_READ, here)
            of_block = 0
            while not self.cut.is_set():
                for key, _ in selector.select():
                    source: Any = key.fileobj
                    data = source.recv(512)
                    if not data:
                        return
                    if source is there and self.armed and (of_block or data.startswith(b"#")):
                        of_block += len(data)
                    if of_block > self._after_bytes:
                        self.cut.set()
                        return
                    key.data.sendall(data)
