"""Scripted peers for the link contract: in memory on a fake clock, and as threads on sockets and ptys.

A peer answers each request with a list of actions. Nothing in the tests waits for time to pass: a test waits for
events, and the pauses of a dribbling peer are waits for its end.
"""

from __future__ import annotations

import os
import select
import selectors
import socket
import threading
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.links.base import OwnPace
from tests.contract.faces import Face

GIVE_UP_S = 20.0  # a bound on waits for events, never a way of passing time


@dataclass(frozen=True)
class Send:
    """Bytes to send."""

    data: bytes


@dataclass(frozen=True)
class Pause:
    """Time before the next action; over at once when the test releases the peer."""

    for_s: float


@dataclass(frozen=True)
class Hold:
    """Wait until the test says so."""


@dataclass(frozen=True)
class Close:
    """The connection ends here."""


Action = Send | Pause | Hold | Close
Script = Callable[[Face, bytes], list[Action]]


def good(value: int) -> Script:
    """The right answer at once."""
    return lambda face, request: [Send(face.answer(request, value))]


class FakePace:
    """The fake clock: time passes only in a memory port; `abandon_at` makes the n-th slice raise."""

    def __init__(self) -> None:
        self.time_s = 100.0
        self.slices: list[float] = []
        self.abandon_at = 0

    def now_s(self) -> float:
        return self.time_s

    def slice(self) -> None:
        self.slices.append(self.now_s())
        if self.abandon_at and len(self.slices) >= self.abandon_at:
            raise Abandoned


class RealPace(OwnPace):
    """The real clock, with the same two features."""

    def __init__(self) -> None:
        self.slices: list[float] = []
        self.abandon_at = 0

    def slice(self) -> None:
        self.slices.append(self.now_s())
        if self.abandon_at and len(self.slices) >= self.abandon_at:
            raise Abandoned


class Abandoned(Exception):
    """What a run's stop looks like to a link."""


class MemoryPeer:
    """A `MemoryPort` whose peer follows a script on the fake clock."""

    def __init__(self, face: Face, pace: FakePace) -> None:
        self.face = face
        self.pace = pace
        self.script = good(7)
        self.listening = True
        self.requests: list[bytes] = []
        self._forget()

    def connect(self) -> None:
        if not self.listening:
            raise ConnectionRefusedError("nobody listens")
        self._forget()
        self._connected = True

    def send(self, data: bytes) -> int:
        if not self._connected:
            raise ConnectionResetError("closed by the peer")
        self._received += data
        for request in self.face.requests(self._received):
            self.requests.append(request)
            due_s = self.pace.time_s
            for action in self.script(self.face, request):
                due_s += action.for_s if isinstance(action, Pause) else 0.0
                if isinstance(action, Hold):
                    due_s = float("inf")
                self._due.append((due_s, action))
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        until_s = self.pace.time_s + until_s_from_now
        while not self._ready and self._connected and self._due and self._due[0][0] <= until_s:
            due_s, action = self._due.pop(0)
            self.pace.time_s = max(self.pace.time_s, due_s)
            if isinstance(action, Send):
                self._ready += action.data
            elif isinstance(action, Close):
                self._connected = False
        if not self._ready and not self._connected:
            raise ConnectionResetError("closed by the peer")
        if not self._ready:
            self.pace.time_s = until_s
        data = bytes(self._ready[:limit])
        del self._ready[:limit]
        return data

    def close(self) -> None:
        self._connected = False

    # ---- the test's hands

    def release(self) -> None:
        """Let a held answer go."""
        self._due = [(self.pace.time_s, action) for _, action in self._due]

    def drop(self) -> None:
        """End the connection while idle."""
        self._connected = False

    def stop_listening(self) -> None:
        self.listening = False

    def restart(self) -> None:
        self.drop()

    def end(self) -> None:
        self._forget()

    def _forget(self) -> None:
        self._connected = False
        self._received = bytearray()
        self._ready = bytearray()
        self._due: list[tuple[float, Action]] = []


class ThreadPeer:
    """What socket and pty peers share: one thread that reads requests and performs the script."""

    def __init__(self, face: Face) -> None:
        self.face = face
        self.script = good(7)
        self.requests: list[bytes] = []
        self._ending = threading.Event()
        self._released = threading.Event()
        self._dropped = threading.Event()
        self._wake_out, self._wake_in = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def release(self) -> None:
        """Whatever the peer still wants to send leaves now."""
        self._released.set()

    def drop(self) -> None:
        """End the connection while idle, and wait until that is done."""
        self._dropped.clear()
        self._wake_in.send(b"d")
        assert self._dropped.wait(GIVE_UP_S)

    def end(self) -> None:
        self._ending.set()
        self._released.set()
        self._wake_in.send(b"e")
        self._thread.join(GIVE_UP_S)
        assert not self._thread.is_alive()
        self._wake_in.close()
        self._wake_out.close()

    def _serve(self) -> None:
        raise NotImplementedError

    def _is_woken(self, *readable: int | socket.socket) -> bool:
        """Wait for something to read; True: the test wants the connection ended."""
        with selectors.DefaultSelector() as selector:
            for each in (*readable, self._wake_out):
                selector.register(each, selectors.EVENT_READ)
            ready = [key.fileobj for key, _ in selector.select(GIVE_UP_S)]
        if self._wake_out in ready:
            self._wake_out.recv(1)
            return True
        return False

    def _talk(self, descriptor: int) -> None:
        """Read and answer until the peer or the script closes, or the test drops the connection."""
        received = bytearray()
        while not self._is_woken(descriptor):
            try:
                data = os.read(descriptor, 65536)
            except OSError:
                return
            if not data:
                return
            received += data
            for request in self.face.requests(received):
                self.requests.append(request)
                if not self._perform(descriptor, self.script(self.face, request)):
                    return

    def _perform(self, descriptor: int, actions: list[Action]) -> bool:
        for action in actions:
            if isinstance(action, Close):
                return False
            if isinstance(action, Send):
                if not self._write(descriptor, action.data):
                    return False
            else:
                self._released.wait(GIVE_UP_S if isinstance(action, Hold) else action.for_s)
        return True

    def _write(self, descriptor: int, data: bytes) -> bool:
        """All bytes, unless the test ends or the link gave up and closed."""
        os.set_blocking(descriptor, False)
        while data and not self._ending.is_set():
            select.select([], [descriptor], [], 0.05)
            try:
                data = data[os.write(descriptor, data) :]
            except BlockingIOError:
                continue
            except OSError:
                return False
        return not data


class SocketPeer(ThreadPeer):
    """On a TCP port of the loopback interface."""

    def __init__(self, face: Face) -> None:
        super().__init__(face)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._thread.start()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def stop_listening(self) -> None:
        self.end()

    def restart(self) -> None:
        self.drop()

    def _serve(self) -> None:
        with self._listener:
            while not self._ending.is_set():
                if self._is_woken(self._listener):
                    self._dropped.set()
                    continue
                connection, _ = self._listener.accept()
                with connection:
                    self._talk(connection.fileno())
                    self._released.clear()
                self._dropped.set()

    def end(self) -> None:
        if self._thread.is_alive():
            super().end()


class PtyPeer(ThreadPeer):
    """On a pseudo-terminal behind a stable name, as a serial adapter has one."""

    def __init__(self, face: Face, folder: Path) -> None:
        super().__init__(face)
        self.device = folder / "line"
        self._opened = threading.Event()
        self._thread.start()
        assert self._opened.wait(GIVE_UP_S)

    @property
    def resource(self) -> str:
        return f"ASRL{self.device}::INSTR"

    def release(self) -> None:
        super().release()
        assert self._opened.wait(GIVE_UP_S)

    def stop_listening(self) -> None:
        self.end()
        self.device.unlink()

    def restart(self) -> None:
        self.drop()

    def _serve(self) -> None:
        while not self._ending.is_set():
            ours, theirs = os.openpty()
            tty.setraw(theirs)
            self._point_to(os.ttyname(theirs))
            self._opened.set()
            self._dropped.set()
            self._talk(ours)
            self._released.clear()
            self._opened.clear()
            os.close(ours)
            os.close(theirs)

    def _point_to(self, name: str) -> None:
        new = self.device.with_suffix(".new")
        new.symlink_to(name)
        new.replace(self.device)

    def end(self) -> None:
        if self._thread.is_alive():
            super().end()


Peer = MemoryPeer | SocketPeer | PtyPeer
