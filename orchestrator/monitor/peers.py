"""The monitor's two sockets: nobody can make it wait.

`monitor.sock`: JSON lines. Everybody who connects is shown snapshots; the peer that says hello with the token is the
engine and may ask. `abort.sock`: any bytes abort. Every socket is non-blocking and every buffer bounded: a watcher
that does not read is dropped, the engine only misses older snapshots.
"""

from __future__ import annotations

import contextlib
import hmac
import json
import os
import selectors
import shutil
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from orchestrator.monitor.outgoing import Outgoing, peer_uid
from orchestrator.monitor.values import Reply, Request

MOST_PEERS = 32
MOST_LINE_BYTES = 65_536
MOST_WAITING_BYTES = 1_000_000
NOT_FOR_PEERS = ("engine_gone", "monitor_ends")
ABORT_ANSWER = b'{"aborting": true}\n'


def line(kind: str, body: Any) -> bytes:
    """One message: its kind and its body."""
    return json.dumps({kind: body}, separators=(",", ":")).encode() + b"\n"


class Peer:
    """One connection: what it sent and is no whole line yet, what it has not taken yet."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.received = bytearray()
        self.is_engine = False
        self.uid = peer_uid(connection)
        self._out = Outgoing(connection)

    def tell(self, message: bytes) -> bool:
        """Queue a message; False when the peer takes none."""
        if len(self._out) + len(message) > MOST_WAITING_BYTES:
            return False
        self._out.put(message)
        return self.flush()

    def show(self, snapshot: bytes) -> bool:
        """Queue a snapshot in the place of one not yet begun; False when the peer is gone."""
        self._out.put_newest(snapshot)
        return self.flush()

    @property
    def waits(self) -> bool:
        """Whether there is something that it has not taken yet."""
        return self._out.waits

    def flush(self) -> bool:
        """Send what it takes now; False when it is gone."""
        return self._out.flush()

    def receive(self) -> bytes | None:
        """What came, b"" when nothing did, None at the end."""
        try:
            return self.connection.recv(MOST_LINE_BYTES) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None


class Hub:
    """All peers. `serve` gathers requests; `tell` and `show` hand out."""

    def __init__(self, folder: Path, token: str, group: str | None, greeting: dict[str, Any]) -> None:
        self.requests: list[Request] = []
        self.abort: Request | None = None
        self.notes: list[dict[str, Any]] = []
        self._token = token.encode()
        self._greeting = greeting
        self._engine: Peer | None = None
        self._selector = selectors.DefaultSelector()
        self._peers: list[Peer] = []
        self._aborters: list[Peer] = []
        self._listeners = [
            self._listen(folder / "monitor.sock", group, self._accept, self._peers),
            self._listen(folder / "abort.sock", group, self._accept, self._aborters),
        ]

    def _listen(
        self, path: Path, group: str | None, accept: Callable[..., None], peers: list[Peer]
    ) -> socket.socket:
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.setblocking(False)
        listener.bind(str(path))
        path.chmod(0o660)
        if group is not None:
            try:
                shutil.chown(path, group=group)
            except (LookupError, OSError) as error:
                self.notes.append({"event": "group_not_set", "path": path.name, "because": str(error)})
        listener.listen(MOST_PEERS)
        self._selector.register(listener, selectors.EVENT_READ, lambda: accept(listener, peers))
        return listener

    def serve(self, until_s: float) -> None:
        """Look after the peers until then; back at once when somebody aborts."""
        while True:
            left_s = until_s - time.monotonic()
            for key, _ in self._selector.select(max(0.0, left_s)):
                key.data()
            if self.abort is not None or left_s <= 0:
                return

    def reply(self, reply: Reply) -> None:
        if self._engine is not None:
            self._keep(self._engine, self._engine.tell(line("reply", reply.to_json())))

    def tell_engine(self, kind: str, body: Any) -> None:
        if self._engine is not None:
            self._keep(self._engine, self._engine.tell(line(kind, body)))

    def show(self, snapshot: dict[str, Any], to_all: bool) -> None:
        """The newest snapshot, to the engine and, if `to_all`, to everybody."""
        message = line("snapshot", snapshot)
        for peer in list(self._peers):
            if peer.is_engine:
                self._keep(peer, peer.show(message))
            elif to_all and (peer.waits or not peer.show(message)):
                self._drop(peer, self._peers)
            else:
                self._await_room(peer)

    def close(self) -> None:
        for peer in [*self._peers, *self._aborters]:
            peer.connection.close()
        for listener in self._listeners:
            with contextlib.suppress(OSError):
                Path(listener.getsockname()).unlink(missing_ok=True)
            listener.close()
        self._selector.close()

    # ---- inside

    def _accept(self, listener: socket.socket, peers: list[Peer]) -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            return
        connection.setblocking(False)
        peer = Peer(connection)
        oldest = next((p for p in peers if not p.is_engine), None)
        if len(peers) >= MOST_PEERS and oldest is not None:
            self._drop(oldest, peers)
        peers.append(peer)
        hear = self._hear if peers is self._peers else self._hear_abort
        self._selector.register(connection, selectors.EVENT_READ, lambda: hear(peer))

    def _keep(self, peer: Peer, alive: bool) -> None:
        """The engine is never dropped for being slow, only for being gone."""
        if not alive and not peer.waits:
            self._drop(peer, self._peers)
        else:
            self._await_room(peer)

    def _await_room(self, peer: Peer) -> None:
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if peer.waits else 0)
        key = self._selector.get_key(peer.connection)
        if key.events != events:
            self._selector.modify(peer.connection, events, key.data)

    def _drop(self, peer: Peer, peers: list[Peer]) -> None:
        if peer not in peers:
            return
        peers.remove(peer)
        self._selector.unregister(peer.connection)
        peer.connection.close()
        if peer is self._engine:
            self._engine = None
            self.requests.append({"act": "engine_gone"})

    def _hear(self, peer: Peer) -> None:
        data = peer.receive()
        if data is None or not peer.flush():
            self._drop(peer, self._peers)
            return
        self._await_room(peer)
        peer.received += data
        *lines, rest = peer.received.split(b"\n")
        peer.received = rest
        for one in lines:
            if peer in self._peers:
                self._take(peer, bytes(one))
        if len(rest) > MOST_LINE_BYTES:
            self._drop(peer, self._peers)

    def _take(self, peer: Peer, text: bytes) -> None:
        try:
            request = json.loads(text)
        except (ValueError, RecursionError):
            request = None
        if not isinstance(request, dict) or request.get("act") in NOT_FOR_PEERS:
            self._drop(peer, self._peers)
        elif peer.is_engine:
            self.requests.append(request)
        else:
            self._greet(peer, request)

    def _greet(self, peer: Peer, request: Request) -> None:
        token = str(request.get("token", "")).encode()
        if request.get("act") != "hello" or not hmac.compare_digest(token, self._token):
            why = "only the engine may ask; others are shown snapshots"
        elif self._engine is not None:
            why = "another engine is connected"
        else:
            peer.is_engine = True
            self._engine = peer
            self.requests.append({"act": "hello"})
            facts = {**self._greeting, "uid": peer.uid}
            self._keep(
                peer, peer.tell(line("reply", Reply(request.get("id"), True, "welcome", facts).to_json()))
            )
            return
        peer.tell(line("reply", Reply(request.get("id"), False, why).to_json()))
        self._drop(peer, self._peers)

    def _hear_abort(self, peer: Peer) -> None:
        data = peer.receive()
        if data is None:
            self._drop(peer, self._aborters)
        elif data:
            self.abort = self.abort or {"act": "abort", **named_by(data, peer.uid)}
            with contextlib.suppress(OSError):
                peer.connection.send(ABORT_ANSWER)


def named_by(data: bytes, uid: int) -> dict[str, Any]:
    """Who aborts: a name, if the bytes are JSON that declares one, else the user."""
    try:
        said = json.loads(data)
        who = said.get("who") if isinstance(said, dict) else None
    except (ValueError, RecursionError):
        who = None
    if isinstance(who, str) and who.strip():
        return {"who": who.strip()[:200], "uid": uid, "how": "declared"}
    return {"who": f"uid {uid}", "uid": uid, "how": "peer"}


def take_token(fd: int | None) -> str:
    """The engine's token, from an inherited descriptor or from the environment. ValueError without one."""
    if fd is None:
        token = os.environ.pop("BENCHWARD_MONITOR_TOKEN", "")
    else:
        with os.fdopen(fd, "r", encoding="ascii") as pipe:
            token = pipe.readline().strip()
    if len(token) < 16:
        raise ValueError("the engine's token is missing or too short (16 characters at least)")
    return token
