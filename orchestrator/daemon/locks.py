"""One daemon a data folder, one daemon a resource: locks that the kernel gives back when their holder dies."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import socket
import struct
from collections.abc import Iterable
from pathlib import Path

from orchestrator.daemon.places import DAEMON, WrongPlace


class Taken(Exception):
    """Somebody else holds it; one sentence that names the process."""


class FolderLock:
    """The exclusive lock of a data folder, with what its holder says of itself inside."""

    def __init__(self, data: Path) -> None:
        self.path = data / DAEMON
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise WrongPlace(f"{self.path}: {error.strerror}") from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._fd)
            raise Taken(f"the data folder {data} is used by another daemon ({_pid_in(self.path)})") from None

    def say(self, **facts: object) -> None:
        """Write down who holds it and where to reach it. Raises WrongPlace where the disk takes nothing."""
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, json.dumps({"pid": os.getpid(), **facts}).encode(), 0)
        except OSError as error:
            raise WrongPlace(f"{self.path}: {error.strerror}") from error

    def close(self) -> None:
        """Forget what was said and let go."""
        os.ftruncate(self._fd, 0)
        os.close(self._fd)


def is_held(data: Path) -> bool:
    """Whether a daemon serves this data folder now."""
    try:
        fd = os.open(data / DAEMON, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(fd)
    return False


def _pid_in(path: Path) -> str:
    try:
        return f"pid {json.loads(path.read_text())['pid']}"
    except (OSError, ValueError, LookupError, TypeError):
        return "its pid is not known"


class ResourceLocks:
    """A lock for each resource string, valid for every user of this computer.

    Each is a listening socket with an abstract name: nothing is left behind, and the kernel tells who holds it.
    """

    def __init__(self, resources: Iterable[str]) -> None:
        self._held: list[socket.socket] = []
        try:
            for resource in resources:
                self._held.append(_listening(resource))
        except Taken:
            self.close()
            raise

    def close(self) -> None:
        """Let go of all."""
        for one in self._held:
            one.close()
        self._held = []


def _listening(resource: str) -> socket.socket:
    name = b"\0benchward-" + hashlib.sha256(canonical(resource).encode()).hexdigest()[:32].encode()
    holder = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        holder.bind(name)
        holder.listen(1)
    except OSError:
        holder.close()
        raise Taken(f"{resource} is used by another daemon ({_holder_of(name)})") from None
    return holder


def _holder_of(name: bytes) -> str:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(name)
            packed = probe.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        except OSError:
            return "its pid is not known"
    return f"pid {struct.unpack('3i', packed)[0]}"


def canonical(resource: str) -> str:
    """One form for the ways to write one resource: case, board number 0, localhost, links to a device file."""
    head, *rest = resource.strip().split("::")
    if head.upper().startswith("ASRL/"):
        head = "ASRL" + os.path.realpath(head[4:])
    else:
        head = re.sub(r"^([A-Z]+)0$", r"\1", head.upper())
    rest = ["127.0.0.1" if part.lower() == "localhost" else part.lower() for part in rest]
    return "::".join([head, *rest])
