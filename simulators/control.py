"""The control port of a served plant: what a person does, over a Unix socket, one JSON object a line.

{"set": "door", "value": "open"}                      -> {"ok": true}
{"show": true}                                        -> {"ok": true, "show": {...}, "words": [[what, how], ...]}
{"names": true}                                       -> {"ok": true, "names": {name: [what it is, values]}}
{"plan": "meter", "exchange": 12, "kind": "silent"}   -> {"ok": true}
anything else                                         -> {"ok": false, "error": "..."}
"""

from __future__ import annotations

import errno
import json
import os
import selectors
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simulators.device import Plant

FIRST, AFTER = 0, 1
"""Order of events of one turn: what present peers say, their leaving included, before anybody new is let in."""
LONGEST_LINE = 65_536
CHUNK = 65_536
PATIENCE_S = 5.0


class ControlError(Exception):
    """No plant there, or it did not do what was asked; the text is one sentence for a person."""


class ControlPort:
    """The plant's side. A slow, half-said or senseless client harms nobody but itself.

    `carry_out` brings the ports in line with the plant; it is called before an answer says that a thing is done.
    """

    def __init__(
        self, path: Path, plant: Plant, selector: selectors.BaseSelector, carry_out: Callable[[], None]
    ) -> None:
        self._path = path
        self._carry_out = carry_out
        self._plant = plant
        self._selector = selector
        self._clients: dict[socket.socket, bytearray] = {}
        self._listener = _listening(path)
        selector.register(self._listener, selectors.EVENT_READ, (AFTER, self._let_in))

    def close(self) -> None:
        """Close all and take the socket's file away."""
        for client in list(self._clients):
            self._drop(client)
        self._selector.unregister(self._listener)
        self._listener.close()
        self._path.unlink(missing_ok=True)

    def _let_in(self, events: int, now_s: float) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        client.setblocking(False)
        self._clients[client] = bytearray()
        self._selector.register(
            client, selectors.EVENT_READ, (FIRST, lambda events, now_s: self._attend(client, now_s))
        )

    def _attend(self, client: socket.socket, now_s: float) -> None:
        try:
            data = client.recv(CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        inbox = self._clients[client]
        inbox += data
        while client in self._clients and (end := inbox.find(b"\n")) >= 0:
            line = bytes(inbox[:end])
            del inbox[: end + 1]
            reply = answer(line, self._plant, now_s)
            self._carry_out()
            self._reply(client, reply)
        if not data or len(inbox) > LONGEST_LINE:
            self._drop(client)

    def _reply(self, client: socket.socket, reply: dict[str, Any]) -> None:
        line = json.dumps(reply).encode() + b"\n"
        try:
            sent = client.send(line)
        except OSError:
            sent = 0
        if sent != len(line):  # it does not read its answers
            self._drop(client)

    def _drop(self, client: socket.socket) -> None:
        if self._clients.pop(client, None) is not None:
            self._selector.unregister(client)
            client.close()


def answer(line: bytes, plant: Plant, now_s: float) -> dict[str, Any]:
    """The reply to one line."""
    try:
        request = json.loads(line)
    except ValueError:
        return {"ok": False, "error": "that is not a line of JSON"}
    except RecursionError:
        return {"ok": False, "error": "that line is nested too deeply"}
    if not isinstance(request, dict):
        return {"ok": False, "error": "a JSON object is expected"}
    try:
        return {"ok": True, **_done(request, plant, now_s)}
    except (ValueError, TypeError) as error:
        return {"ok": False, "error": str(error)}


def _done(request: dict[str, Any], plant: Plant, now_s: float) -> dict[str, Any]:
    if "set" in request:
        plant.set(str(request["set"]), str(request.get("value", "")), now_s)
        return {}
    if "show" in request:
        seen = plant.show(now_s)
        return {"show": seen, "words": plant.in_words(seen)}
    if "names" in request:
        return {"names": plant.names()}
    if "plan" in request:
        plant.plan_fault(str(request["plan"]), int(request.get("exchange", 0)), str(request.get("kind", "")))
        return {}
    raise ValueError("set, show, names or plan is expected")


def ask(path: Path, request: dict[str, Any]) -> dict[str, Any]:
    """One request to a running plant. ControlError where there is none, or where it refuses."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
            client.settimeout(PATIENCE_S)
            client.connect(str(path))
            client.sendall(json.dumps(request).encode() + b"\n")
            line = _line(client)
    except TimeoutError:
        raise ControlError(f"the plant did not answer within {PATIENCE_S:g} s") from None
    except OSError as error:
        raise ControlError("no plant of this bench is running here") from error
    reply = json.loads(line) if line else {"ok": False, "error": "the plant closed the connection"}
    if not reply["ok"]:
        raise ControlError(reply["error"])
    return dict(reply)


def _line(client: socket.socket) -> bytes:
    data = bytearray()
    while not data.endswith(b"\n"):
        piece = client.recv(CHUNK)
        if not piece:
            return b""
        data += piece
    return bytes(data)


def _listening(path: Path) -> socket.socket:
    """A listener at `path`, whose folder only its owner may enter; a dead plant's file is cleared away."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if path.parent.stat().st_uid != os.getuid():
        raise ControlError(f"the folder {path.parent} belongs to somebody else")
    if path.is_socket() and not _answers(path):
        path.unlink()
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        listener.bind(str(path))
    except OSError as error:
        listener.close()
        if error.errno == errno.EADDRINUSE:
            raise ControlError(f"a plant of this bench is running already ({path})") from error
        raise ControlError(f"the control port {path} cannot be opened: {error.strerror or error}") from error
    listener.listen(8)
    listener.setblocking(False)
    return listener


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(PATIENCE_S)
        try:
            probe.connect(str(path))
        except OSError:
            return False
    return True
