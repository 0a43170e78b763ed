"""A pseudo-terminal of 80 by 24 with the console in it, for tests and for the speed table."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading
import time
from pathlib import Path

from tests.daemon_rig import COMMAND, PATIENCE_S

CTRL_X = b"\x18"
F4 = b"\x1bOS"
READ_BYTES = 65_536


class Terminal:
    """What the console writes is kept, with the time at which the newest of it came."""

    def __init__(self, data: Path, *arguments: str) -> None:
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "BENCHWARD_DATA": str(data)}
        self.process = subprocess.Popen(
            [*COMMAND, "console", "--by", "T. Made-Up", *arguments],
            stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.written = bytearray()
        self._came_s = 0.0
        self._more = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        try:
            while data := os.read(self.master, READ_BYTES):
                with self._more:
                    self.written += data
                    self._came_s = time.monotonic()
                    self._more.notify_all()
        except OSError:
            return  # the console has ended

    def text(self, since: int = 0) -> str:
        """What was written since then, without the terminal's commands."""
        return re.sub(r"\x1b\[[0-9;?<>=u]*[A-Za-z]", "", bytes(self.written[since:]).decode(errors="replace"))

    def until(self, words: str, since: int = 0) -> float:
        """Wait until it is on the screen; when it came."""
        with self._more:
            found = self._more.wait_for(lambda: words in self.text(since), PATIENCE_S)
            assert found, f"the console does not show '{words}': {self.text(since)[-2000:]}"
            return self._came_s

    def press(self, key: bytes) -> float:
        """When it was pressed."""
        pressed_s = time.monotonic()
        os.write(self.master, key)
        return pressed_s

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        os.close(self.master)
