"""Looking at the interlock monitor's snapshots without the engine. Standard library only."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Facts = dict[str, Any]


def snapshots(one: socket.socket, until_s: float) -> Iterator[Facts]:
    """The snapshots of a connection as they come, until the time is over or the monitor is gone."""
    rest = b""
    while (left_s := until_s - time.monotonic()) > 0:
        try:
            one.settimeout(left_s)
            data = one.recv(262_144)
        except OSError:
            return
        if not data:
            return
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            message = json.loads(line)
            if "snapshot" in message:
                yield message["snapshot"]


def look(path: Path, within_s: float, wants_proof: bool = False) -> Facts | None:
    """The next snapshot; with `wants_proof` the first that proves off, or the last one within the time."""
    last: Facts | None = None
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as one:
        one.settimeout(within_s)
        try:
            one.connect(str(path))
        except OSError:
            return None
        for last in snapshots(one, time.monotonic() + within_s):
            if not wants_proof or (last.get("proof") or {}).get("safe"):
                break
    return last
