"""The store of one run: files that are made once, and files that only grow.

Two kinds. `FolderStore` is a folder on a disk and takes the disk at its word only after fsync. `MemoryStore`
is the same contract for the virtual world; it keeps synced and unsynced bytes apart, so that a test can cut
the power at any moment or let any single write or sync fail.

A store belongs to one writer. A file name is relative, with `/` between its parts.
"""

import contextlib
import errno
import hashlib
import os
import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*(/[A-Za-z0-9_][A-Za-z0-9._-]*)*")
PART = ".part"  # a file under this ending was being made when the power went
TORN = ".torn"  # what stood behind the last whole row of a file that was opened again, with its number

Act = Literal["write", "sync"]


class StorageFault(Exception):
    """The record could not be written or read. `sentence` says which file, what happened, what to do."""

    def __init__(self, name: str, what: str, to_do: str) -> None:
        self.name = name
        self.sentence = f"The record's file {name} {what}. {to_do}"
        super().__init__(self.sentence)


class Store(Protocol):
    """One run folder."""

    def create(self, name: str, data: bytes) -> str:
        """Make a file that is whole and durable, or not there at all; never overwrites. Its sha256 in hex."""

    def append(self, name: str, data: bytes) -> None:
        """Add to a growing file; not durable before `sync`. After a failure no part of `data` stays in front
        of a later write: it is cut back, or the file is out of service for good."""

    def sync(self, name: str) -> None:
        """Make everything appended to this file durable. After a failure the file is out of service: what a
        failed fsync has dropped, a second one would report as written."""

    def cut(self, name: str, length: int) -> None:
        """Shorten a growing file to its first `length` bytes, durably."""

    def appender(self, name: str, whole: Callable[[bytes], int] = len) -> "Appender":
        """A growing file of rows, new or from before. `whole` says how many of the bytes that are there are
        whole rows; what is behind them is kept aside first and then cut off, see `Appender.aside`."""

    def read(self, name: str) -> bytes:
        """The whole file as it stands now."""

    def names(self) -> list[str]:
        """Every file, sorted."""

    def free_bytes(self) -> int:
        """Room that is left. Raises StorageFault where the folder is gone."""

    def close(self) -> None:
        """Let go of the open files; nothing is written after this."""


def _advice(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "The disk is full: make room."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "The daemon may not write there: check the owner and the mount of the data folder."
    return "Check the disk and its cabling before the next run."


def _fault(name: str, doing: str, error: OSError) -> StorageFault:
    return StorageFault(name, f"could not be {doing} ({error.strerror or error})", _advice(error))


def _exists(name: str) -> StorageFault:
    return StorageFault(
        name, "is there already and is never overwritten", "Give the run a folder of its own."
    )


def _out_of_service(name: str, since: str) -> StorageFault:
    return StorageFault(
        name, f"is out of service since {since}", "Check the disk; the run cannot be recorded further."
    )


def _no_such(name: str) -> StorageFault:
    return StorageFault(name, "is not there", "Check that this is the right run folder.")


def checked(name: str) -> str:
    """The name itself, if it stays inside the run folder; ValueError otherwise."""
    if not NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no file name of a run folder")
    return name


class Appender:
    """A growing file whose every addition is one write and one sync. `aside` names the file that took the torn
    bytes when this one was opened; None where there were none."""

    def __init__(self, store: Store, name: str, aside: str | None) -> None:
        self.name = name
        self.aside = aside
        self._append = store.append
        self._sync = store.sync

    def append(self, data: bytes) -> None:
        """Add bytes; durable when this returns. Raises StorageFault: see `Store.append` and `Store.sync`."""
        self._append(self.name, data)
        self._sync(self.name)


def _opened_again(store: Store, name: str, whole: Callable[[bytes], int]) -> Appender:
    aside = None
    if name in store.names():
        data = store.read(name)
        length = whole(data)
        if length < len(data):
            aside = _kept_aside(store, name, data[length:])
            store.cut(name, length)
    return Appender(store, name, aside)


def _kept_aside(store: Store, name: str, torn: bytes) -> str:
    """The file that holds the torn bytes; a crash after it was made and before the cut makes no second one."""
    number = 1
    while (aside := f"{name}{TORN}-{number}") in store.names():
        if store.read(aside) == torn:
            return aside
        number += 1
    store.create(aside, torn)
    return aside


@dataclass
class _Growing:
    """An appended file: its one descriptor, the length up to which every write was whole, and its fate."""

    descriptor: int
    length: int
    out_of_service: str | None = None


class FolderStore:
    """A run folder on disk. Folders that are missing are made."""

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._growing: dict[str, _Growing] = {}
        try:
            self._make_folder(self.path)
        except OSError as error:
            raise _fault(str(self.path), "made", error) from error

    def create(self, name: str, data: bytes) -> str:
        target = self.path / checked(name)
        temporary = target.with_name(target.name + PART)
        if target.exists():
            raise _exists(name)
        try:
            self._make_folder(target.parent)
            _write_durably(temporary, data)
            temporary.rename(target)
            _sync_folder(target.parent)
        except OSError as error:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise _fault(name, "written", error) from error
        return hashlib.sha256(data).hexdigest()

    def append(self, name: str, data: bytes) -> None:
        file = self._growing.get(name) or self._open(checked(name))
        if file.out_of_service:
            raise _out_of_service(name, file.out_of_service)
        try:
            _write_all(file.descriptor, data)
        except OSError as error:
            self._cut_back(file)
            raise _fault(name, "written", error) from error
        file.length += len(data)

    def sync(self, name: str) -> None:
        file = self._growing.get(name) or self._open(checked(name))
        if file.out_of_service:
            raise _out_of_service(name, file.out_of_service)
        try:
            os.fsync(file.descriptor)
            _require_still_there(file.descriptor)
        except OSError as error:
            file.out_of_service = "a write to the disk was not confirmed"
            raise _fault(name, "made durable", error) from error

    def cut(self, name: str, length: int) -> None:
        file = self._open(checked(name))
        try:
            os.ftruncate(file.descriptor, length)
            os.fsync(file.descriptor)
        except OSError as error:
            file.out_of_service = "torn bytes could not be cut off"
            raise _fault(name, "cut", error) from error
        file.length = length

    def appender(self, name: str, whole: Callable[[bytes], int] = len) -> Appender:
        return _opened_again(self, name, whole)

    def read(self, name: str) -> bytes:
        try:
            return (self.path / checked(name)).read_bytes()
        except FileNotFoundError:
            raise _no_such(name) from None
        except OSError as error:
            raise _fault(name, "read", error) from error

    def names(self) -> list[str]:
        return sorted(
            found.relative_to(self.path).as_posix() for found in self.path.rglob("*") if found.is_file()
        )

    def free_bytes(self) -> int:
        try:
            space = os.statvfs(self.path)
        except OSError as error:
            raise _fault(str(self.path), "looked at", error) from error
        return space.f_bavail * space.f_frsize

    def close(self) -> None:
        for file in self._growing.values():
            with contextlib.suppress(OSError):
                os.close(file.descriptor)
        self._growing.clear()

    def _open(self, name: str) -> _Growing:
        if name not in self._growing:
            target = self.path / name
            try:
                self._make_folder(target.parent)
                descriptor = os.open(target, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
                _sync_folder(target.parent)
                self._growing[name] = _Growing(descriptor, os.fstat(descriptor).st_size)
            except OSError as error:
                raise _fault(name, "opened", error) from error
        return self._growing[name]

    def _cut_back(self, file: _Growing) -> None:
        """Take torn bytes off the end again, so that the next line cannot be joined to them."""
        try:
            os.ftruncate(file.descriptor, file.length)
        except OSError:
            file.out_of_service = "a torn write could not be cut back"

    def _make_folder(self, folder: Path) -> None:
        if folder.is_dir():
            return
        folder.mkdir(parents=True)
        _sync_folder(folder.parent)


def _require_still_there(descriptor: int) -> None:
    """A file that was removed under its writer takes bytes as ever, and nobody would find them again."""
    if os.fstat(descriptor).st_nlink == 0:
        raise OSError(errno.ENOENT, "the file was removed")


def _write_all(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(descriptor, left) :]


def _write_durably(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
    try:
        _write_all(descriptor, data)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@dataclass
class _Kept:
    """A file in memory: what the disk has for certain, and what it has only been told."""

    synced: bytearray = field(default_factory=bytearray)
    unsynced: bytearray = field(default_factory=bytearray)
    out_of_service: str | None = None


def _never_fails(act: Act, name: str) -> None:
    """The usual hook of a `MemoryStore`."""


class MemoryStore:
    """A run folder in memory.

    `point(act, name)` is called before every write and every sync and may raise OSError, which then fails as
    it would on a disk. `capacity_bytes` is the size of the disk; beyond it writes fail with ENOSPC.
    """

    def __init__(
        self, point: Callable[[Act, str], None] = _never_fails, capacity_bytes: int = 1 << 40
    ) -> None:
        self.point = point
        self.capacity_bytes = capacity_bytes
        self._files: dict[str, _Kept] = {}
        self._used_bytes = 0

    def create(self, name: str, data: bytes) -> str:
        if checked(name) in self._files:
            raise _exists(name)
        self._try("write", name, "written", len(data))
        self._try("sync", name, "written")
        self._files[name] = _Kept(bytearray(data))
        self._used_bytes += len(data)
        return hashlib.sha256(data).hexdigest()

    def append(self, name: str, data: bytes) -> None:
        file = self._growing(name)
        if file.out_of_service:
            raise _out_of_service(name, file.out_of_service)
        self._try("write", name, "written", len(data))
        file.unsynced += data
        self._used_bytes += len(data)

    def sync(self, name: str) -> None:
        file = self._growing(name)
        if file.out_of_service:
            raise _out_of_service(name, file.out_of_service)
        try:
            self._try("sync", name, "made durable")
        except StorageFault:
            file.out_of_service = "a write to the disk was not confirmed"
            raise
        file.synced += file.unsynced
        file.unsynced.clear()

    def cut(self, name: str, length: int) -> None:
        file = self._growing(name)
        self._try("write", name, "cut")
        self._try("sync", name, "cut")
        whole = self.read(name)
        self._used_bytes -= len(whole) - length
        self._files[name] = _Kept(bytearray(whole[:length]), bytearray(), file.out_of_service)

    def appender(self, name: str, whole: Callable[[bytes], int] = len) -> Appender:
        return _opened_again(self, name, whole)

    def read(self, name: str) -> bytes:
        if checked(name) not in self._files:
            raise _no_such(name)
        file = self._files[name]
        return bytes(file.synced + file.unsynced) if file.unsynced else bytes(file.synced)

    def names(self) -> list[str]:
        return sorted(self._files)

    def free_bytes(self) -> int:
        return max(0, self.capacity_bytes - self._used_bytes)

    def close(self) -> None:
        """Nothing is open."""

    def power_cut(self, seed: int | None = None) -> None:
        """Drop what was not synced; with a seed some leading part of it may have reached the disk."""
        chance = random.Random(seed)
        for name, file in sorted(self._files.items()):
            reached = 0 if seed is None else chance.randint(0, len(file.unsynced))
            self._used_bytes -= len(file.unsynced) - reached
            self._files[name] = _Kept(file.synced + file.unsynced[:reached])

    def save_to(self, folder: Path) -> None:
        """Copy every file to a real folder, to be read with the ordinary commands."""
        target = FolderStore(folder)
        for name in self.names():
            target.create(name, self.read(name))

    def _growing(self, name: str) -> _Kept:
        file = self._files.get(name)
        if file is None:
            file = self._files[checked(name)] = _Kept()
        return file

    def _try(self, act: Act, name: str, doing: str, wanted_bytes: int = 0) -> None:
        try:
            self.point(act, name)
            if wanted_bytes > self.free_bytes():
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as error:
            raise _fault(name, doing, error) from error
