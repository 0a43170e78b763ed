"""The engine's end of `monitor.sock`: a real process behind a `MonitorPort`."""

from __future__ import annotations

import json
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from orchestrator.core.reasons import Cause
from orchestrator.monitor.port import LOST_AFTER_S, SLICE_S, Snapshot
from orchestrator.monitor.values import Reply, RequestId

MOST_EVENTS = 10_000
RECEIVE_BYTES = 262_144


class ProcessPort:
    """Connected and known to the monitor by its token.

    Safe to use from several threads; only one of them should renew. ConnectionError from the constructor when the
    monitor is not there or refuses.
    """

    def __init__(self, path: Path, token: str, timeout_s: float = 2.0) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        self._lock = threading.Lock()
        self._received = bytearray()
        self._newest: dict[str, Any] | None = None
        self._snapshot = Snapshot()
        self._replies: dict[int, Reply] = {}
        self._abandoned: set[RequestId] = set()
        self._events: deque[dict[str, Any]] = deque(maxlen=MOST_EVENTS)
        self._closed = False
        self._asked = 0
        try:
            self._socket.connect(str(path))
        except OSError as error:
            raise ConnectionError(f"the interlock monitor is not there ({path}): {error}") from error
        self._socket.setblocking(False)
        self.greeting = self._greet(token, timeout_s)

    def _greet(self, token: str, timeout_s: float) -> dict[str, Any]:
        welcome = self.ask("hello", timeout_s, lambda: None, token=token)
        if not welcome.granted:
            self.close()
            raise ConnectionError(f"the interlock monitor does not take this engine: {welcome.sentence}")
        until_s = time.monotonic() + timeout_s
        while self.snapshot().at_s == float("-inf") and time.monotonic() < until_s and not self._closed:
            self._wait(SLICE_S)
        return dict(welcome.facts)

    def renew(self) -> None:
        self._send(b'{"act":"renew"}\n')

    def snapshot(self) -> Snapshot:
        with self._lock:
            self._drain()
            if self._newest is not None:
                self._snapshot = Snapshot.from_json(self._newest)
                self._newest = None
            return self._snapshot

    def ask(self, act: str, timeout_s: float, on_slice: Callable[[], None], **args: Any) -> Reply:
        until_s = time.monotonic() + timeout_s
        with self._lock:
            self._asked += 1
            asked = self._asked
        self._send(json.dumps({"id": asked, "act": act, **args}).encode() + b"\n")
        try:
            return self._answer(asked, until_s, timeout_s, on_slice)
        except BaseException:
            self._abandoned.add(asked)
            raise

    def _answer(self, asked: int, until_s: float, timeout_s: float, on_slice: Callable[[], None]) -> Reply:
        while True:
            with self._lock:
                self._drain()
                reply = self._replies.pop(asked, None)
            if reply is not None:
                return reply
            if self._closed:
                return Reply(asked, False, "the interlock monitor is gone: treat the bench as live")
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                self._abandoned.add(asked)
                return Reply(asked, False, f"the interlock monitor did not answer within {timeout_s:g} s")
            self._wait(min(SLICE_S, left_s))
            on_slice()

    def cause(self) -> Cause | None:
        return self.snapshot().cause

    def lost(self) -> bool:
        if not self._closed and time.monotonic() - self._snapshot.at_s < LOST_AFTER_S:
            return False  # what was heard last is young enough: no need to look for more
        return time.monotonic() - self.snapshot().at_s >= LOST_AFTER_S or self._closed

    def events(self) -> list[dict[str, Any]]:
        with self._lock:
            self._drain()
            happened = list(self._events)
            self._events.clear()
        return happened

    def close(self) -> None:
        self._closed = True
        self._socket.close()

    # ---- inside

    def _wait(self, timeout_s: float) -> None:
        if not self._closed:
            select.select([self._socket], [], [], timeout_s)

    def _send(self, message: bytes) -> None:
        """All of it or nothing: a monitor whose pipe is full is stopped, and a renewal would not help it."""
        with self._lock:
            try:
                if not self._closed and self._socket.send(message) != len(message):
                    self._closed = True  # half a line: what follows could not be read any more
            except BlockingIOError:
                pass
            except OSError:
                self._closed = True

    def _drain(self) -> None:
        while not self._closed:
            try:
                data = self._socket.recv(RECEIVE_BYTES)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                self._closed = True
            self._received += data
        *lines, rest = self._received.split(b"\n")
        self._received = rest
        for one in lines:
            self._take(json.loads(one))

    def _take(self, message: dict[str, Any]) -> None:
        if "snapshot" in message:
            self._newest = message["snapshot"]
        elif "event" in message:
            self._events.append(message["event"])
        else:
            reply = Reply.from_json(message["reply"])
            if reply.id in self._abandoned:
                self._abandoned.discard(reply.id)
            elif isinstance(reply.id, int):
                self._replies[reply.id] = reply
