"""How the console reaches the daemon: HTTP on the API's Unix socket; an abort goes to the interlock monitor itself.

Nothing here is asynchronous: one thread reads the events, a command is asked in whatever thread wants its reply.
"""

from __future__ import annotations

import http.client
import json
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol
from urllib.parse import quote

from orchestrator.daemon.places import Places, daemon_facts, places_of_running

Facts = dict[str, Any]
Take = Callable[[str, Facts], None]  # kind of message (status, event, ended, lost), its content

REPLY_WITHIN_S = 35.0  # a start is looked at by the engine for up to 30 s
SILENT_S = 3.0  # the engine shows its status five times a second
AGAIN_AFTER_S = 0.5
ABORT_WITHIN_S = 0.3
NO_API = "The daemon's API does not answer"
CONTROL_HEADER = "x-benchward-control"


class Link(Protocol):
    """What the console needs of a daemon; tests give another one."""

    control: str | None  # the token that control gave, sent with every order

    def watch(self, take: Take) -> None:
        """Have every message taken, from another thread, until `close`."""

    def ask(
        self, method: str, path: str, body: Facts | None = None, within_s: float = REPLY_WITHIN_S
    ) -> Facts:
        """One request and its reply; `{"ok": false, "sentence", "help"}` where it is refused or nobody answers."""

    def abort(self, who: str) -> bool:
        """Tell the interlock monitor at once; whether it took it."""

    def close(self) -> None:
        """Let go."""


class ApiLink:
    """The daemon of one data folder. A daemon that is started again is found again."""

    def __init__(self, places: Places) -> None:
        self._places = places
        self._ending = threading.Event()
        self._stream: socket.socket | None = None
        self.control: str | None = None

    # ---- looking

    def watch(self, take: Take) -> None:
        threading.Thread(target=self._watch, args=(take,), name="events", daemon=True).start()

    def _watch(self, take: Take) -> None:
        while not self._ending.is_set():
            try:
                self._read_events(take)
                lost = "The engine is gone"
            except (OSError, http.client.HTTPException, ValueError):
                lost = NO_API
            take("lost", {"sentence": lost, "bench": daemon_facts(self._places.data).get("bench")})
            self._ending.wait(AGAIN_AFTER_S)
            self._places = places_of_running(self._places.data)

    def _read_events(self, take: Take) -> None:
        """Until the stream ends, or says nothing for too long."""
        connection = _UnixHttp(str(self._places.api_sock), SILENT_S)
        try:
            connection.request("GET", "/events")
            self._stream = connection.sock
            response = connection.getresponse()
            kind = ""
            while not self._ending.is_set() and (line := response.readline()):
                if line.startswith(b"event: "):
                    kind = line[7:].strip().decode()
                elif line.startswith(b"data: "):
                    take(kind, json.loads(line[6:]))
        finally:
            self._stream = None
            connection.close()

    # ---- asking

    def ask(
        self, method: str, path: str, body: Facts | None = None, within_s: float = REPLY_WITHIN_S
    ) -> Facts:
        connection = _UnixHttp(str(self._places.api_sock), within_s)
        headers = {CONTROL_HEADER: self.control} if self.control else {}
        try:
            text = None if body is None else json.dumps(body)
            connection.request(
                method, path, text, headers | ({"content-type": "application/json"} if text else {})
            )
            response = connection.getresponse()
            return _reply(response.status, json.loads(response.read()))
        except (OSError, http.client.HTTPException, ValueError):
            help_ = "treat the bench as live; F12 still goes to the interlock monitor"
            return {"ok": False, "code": "no-api", "sentence": f"{NO_API}.", "help": help_}
        finally:
            connection.close()

    def abort(self, who: str) -> bool:
        """One message, at once. The monitor answers within milliseconds; nobody else is waited for."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as one:
                one.settimeout(ABORT_WITHIN_S)
                one.connect(str(self._places.abort_sock))
                one.sendall(json.dumps({"who": who}).encode() + b"\n")
                return bool(one.recv(256))
        except OSError:
            return False

    def close(self) -> None:
        self._ending.set()
        stream = self._stream
        if stream is not None:
            with suppress(OSError):
                stream.shutdown(socket.SHUT_RDWR)


def path_with(path: str, **query: Any) -> str:
    """A path with its query."""
    asked = "&".join(f"{name}={quote(str(value))}" for name, value in query.items() if value is not None)
    return f"{path}?{asked}" if asked else path


def named(*parts: str) -> str:
    """A path of parts that may hold any character."""
    return "/" + "/".join(quote(part, safe="") for part in parts)


def _reply(code: int, content: Any) -> Facts:
    """A refusal of any kind as the engine words its own."""
    facts = content if isinstance(content, dict) else {"content": content}
    if code < 400:
        return {"ok": True, **facts}
    detail = facts.get("detail")
    return {"ok": False, "code": "refused", "sentence": str(detail or "It was refused."), "help": "", **facts}


class _UnixHttp(http.client.HTTPConnection):
    def __init__(self, path: str, timeout_s: float) -> None:
        super().__init__("localhost", timeout=timeout_s)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(self._path)
