"""JSON lines on a Unix socket, served by one thread that nobody can make wait.

Every peer has a bounded buffer: who does not read is dropped. Of a peer's statuses only the newest waits.
"""

from __future__ import annotations

import contextlib
import json
import os
import pwd
import selectors
import shutil
import socket
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from orchestrator.monitor.outgoing import Outgoing, peer_uid

MOST_LINE_BYTES = 262_144
MOST_WAITING_BYTES = 4_000_000
MOST_PEERS = 64


def encoded(message: Any) -> bytes:
    """One message as a line."""
    return json.dumps(message, separators=(",", ":"), default=str).encode() + b"\n"


class Peer:
    """One connection."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.uid = peer_uid(connection)
        self.trusted = False
        self.watches = False
        self.received = bytearray()
        self._out = Outgoing(connection)

    @property
    def waits(self) -> bool:
        """Whether something is left to send."""
        return self._out.waits

    def tell(self, message: Any) -> None:
        """Queue a message that must not be missed."""
        self._out.put(encoded(message))

    def show(self, line: bytes) -> None:
        """Queue a line in the place of an earlier one that was not begun yet."""
        self._out.put_newest(line)

    def flush(self) -> bool:
        """Send what it takes now; False when it is gone or has too much left to read."""
        return self._out.flush() and len(self._out) <= MOST_WAITING_BYTES


class LineServer:
    """The listener, its peers, and calls handed in from other threads. `turn` belongs to one thread."""

    def __init__(self, path: Path, group: str | None, hear: Callable[[Peer, dict[str, Any]], None]) -> None:
        self.peers: list[Peer] = []
        self._hear = hear
        self._path = path
        self._selector = selectors.DefaultSelector()
        self._calls: deque[Callable[[], None]] = deque()
        self._woken, self._wake = socket.socketpair()
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        self._selector.register(self._woken, selectors.EVENT_READ, self._drain_wake)
        self._listener = listening(path, group)
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def post(self, call: Callable[[], None]) -> None:
        """From any thread: have `call` done by the serving thread. Never blocks."""
        self._calls.append(call)
        with contextlib.suppress(OSError):
            self._wake.send(b"!")

    def watch_fd(self, fd: int | socket.socket, call: Callable[[], None]) -> None:
        """Call when `fd` can be read."""
        self._selector.register(fd, selectors.EVENT_READ, call)

    def forget_fd(self, fd: int | socket.socket) -> None:
        self._selector.unregister(fd)

    def turn(self, longest_s: float) -> None:
        """Wait for something to do, at most so long, and do it."""
        for key, mask in self._selector.select(longest_s):
            if key.fd in self._selector.get_map():
                self._attend(key.data, mask)
        while self._calls:
            self._calls.popleft()()

    def send(self) -> None:
        """Let every peer have what waits for it; drop those that do not read."""
        for peer in list(self.peers):
            if not peer.flush():
                self.drop(peer)
            else:
                self._await_room(peer)

    def drop(self, peer: Peer) -> None:
        """Close one."""
        if peer in self.peers:
            self.peers.remove(peer)
            self._selector.unregister(peer.connection)
            peer.connection.close()

    def close(self) -> None:
        """Close everything; what still waits is sent as far as it is taken."""
        self.send()
        for peer in list(self.peers):
            self.drop(peer)
        self._selector.close()
        for one in (self._listener, self._woken, self._wake):
            one.close()
        self._path.unlink(missing_ok=True)

    # ---- inside

    def _attend(self, data: Any, mask: int) -> None:
        if isinstance(data, Peer):
            self._read(data, mask)
        else:
            data()

    def _drain_wake(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4096)

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        if len(self.peers) >= MOST_PEERS:
            connection.close()
            return
        connection.setblocking(False)
        peer = Peer(connection)
        self.peers.append(peer)
        self._selector.register(connection, selectors.EVENT_READ, peer)

    def _read(self, peer: Peer, mask: int) -> None:
        if mask & selectors.EVENT_READ:
            data = _received(peer.connection)
            if data is None:
                self.drop(peer)
                return
            peer.received += data
            self._take_lines(peer)
        if peer in self.peers:
            self.send() if mask & selectors.EVENT_READ else self._send_one(peer)

    def _send_one(self, peer: Peer) -> None:
        if peer.flush():
            self._await_room(peer)
        else:
            self.drop(peer)

    def _take_lines(self, peer: Peer) -> None:
        *lines, rest = peer.received.split(b"\n")
        peer.received = rest
        for one in lines:
            message = _message(bytes(one))
            if message is None:
                peer.tell({"ok": False, "code": "not-understood", "sentence": "That is no line of JSON."})
            else:
                self._hear(peer, message)
        if len(rest) > MOST_LINE_BYTES:
            self.drop(peer)

    def _await_room(self, peer: Peer) -> None:
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if peer.waits else 0)
        if self._selector.get_key(peer.connection).events != events:
            self._selector.modify(peer.connection, events, peer)


def listening(path: Path, group: str | None) -> socket.socket:
    """A listener that its user and group may talk to; the file of a dead one is cleared away."""
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listener.setblocking(False)
    listener.bind(str(path))
    path.chmod(0o660)
    if group is not None:
        shutil.chown(path, group=group)
    listener.listen(16)
    return listener


def user_name(uid: int) -> str:
    """The name of a user, or his number where it has none."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def life_is_over(fd: int) -> bool:
    """Whether the other end of the pipe is closed: its holder is gone."""
    try:
        return os.read(fd, 4096) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def _received(connection: socket.socket) -> bytes | None:
    try:
        return connection.recv(65_536) or None
    except BlockingIOError:
        return b""
    except OSError:
        return None


def _message(line: bytes) -> dict[str, Any] | None:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return message if isinstance(message, dict) else None
