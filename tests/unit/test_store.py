import errno
import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from orchestrator.record.store import FolderStore, MemoryStore, StorageFault, Store

MAKERS: dict[str, Callable[[Path], Store]] = {
    "folder": lambda path: FolderStore(path / "run"),
    "memory": lambda path: MemoryStore(),
}


@pytest.fixture(params=MAKERS)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    return MAKERS[request.param](tmp_path)


def test_a_created_file_is_there_with_its_hash_and_never_overwritten(store: Store) -> None:
    digest = store.create("captures/shot-01.h5", b"first")
    with pytest.raises(StorageFault, match=r"captures/shot-01\.h5 is there already and is never overwritten"):
        store.create("captures/shot-01.h5", b"second")
    assert digest == hashlib.sha256(b"first").hexdigest()
    assert store.read("captures/shot-01.h5") == b"first"
    assert store.names() == ["captures/shot-01.h5"]


def test_appended_lines_follow_each_other(store: Store) -> None:
    store.append("journal.jsonl", b"one\n")
    store.append("journal.jsonl", b"two\n")
    store.sync("journal.jsonl")
    assert store.read("journal.jsonl") == b"one\ntwo\n"


@pytest.mark.parametrize("name", ["../out", "/etc/x", "a/../b", "", ".hidden", "a//b"])
def test_a_name_outside_the_run_folder_is_refused(store: Store, name: str) -> None:
    with pytest.raises(ValueError, match="no file name of a run folder"):
        store.create(name, b"")


def test_reading_what_is_not_there_says_so(store: Store) -> None:
    with pytest.raises(StorageFault, match=r"seal\.json is not there"):
        store.read("seal.json")


def test_free_bytes_shrink_or_stay(store: Store) -> None:
    before = store.free_bytes()
    store.create("a", b"x" * 100_000)
    assert 0 < store.free_bytes() <= before


def test_the_folder_store_keeps_one_descriptor_for_each_appended_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    really = os.open

    def counting(path: object, flags: int, *more: int) -> int:
        if flags & os.O_APPEND:
            opened.append(str(path))
        return really(path, flags, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", counting)
    store = FolderStore(tmp_path)
    for _ in range(5):
        store.append("journal.jsonl", b"line\n")
        store.sync("journal.jsonl")
    store.close()
    assert len(opened) == 1


def test_a_torn_write_on_disk_is_cut_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = FolderStore(tmp_path)
    store.append("journal.jsonl", b"whole\n")
    really = os.write

    def half(descriptor: int, data: memoryview) -> int:
        if len(data) > 3:
            return really(descriptor, data[:3])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(StorageFault, match=r"The disk is full: make room"):
        store.append("journal.jsonl", b"torn\n")
    monkeypatch.setattr(os, "write", really)
    store.append("journal.jsonl", b"next\n")
    assert store.read("journal.jsonl") == b"whole\nnext\n"


def test_torn_bytes_that_cannot_be_cut_back_end_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = FolderStore(tmp_path)

    def fails(*_: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(os, "write", fails)
        broken.setattr(os, "ftruncate", fails)
        with pytest.raises(StorageFault):
            store.append("journal.jsonl", b"torn\n")
    with pytest.raises(StorageFault, match="out of service since a torn write could not be cut back"):
        store.append("journal.jsonl", b"next\n")


@pytest.mark.parametrize("call", ["fsync", "rename", "write"])
def test_a_file_that_could_not_be_made_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    store = FolderStore(tmp_path)

    def fails(*_: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(Path if call == "rename" else os, call, fails)
        with pytest.raises(StorageFault, match=r"could not be written \(Input/output error\)"):
            store.create("seal.json", b"data")
    assert store.names() == []
    store.create("seal.json", b"data")
    assert store.read("seal.json") == b"data"


def test_a_failed_fsync_ends_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = FolderStore(tmp_path)
    store.append("journal.jsonl", b"line\n")

    def fails(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(os, "fsync", fails)
        with pytest.raises(StorageFault, match="could not be made durable"):
            store.sync("journal.jsonl")
    with pytest.raises(StorageFault, match="out of service"):
        store.append("journal.jsonl", b"next\n")


def test_in_memory_every_write_and_sync_can_fail() -> None:
    calls: list[tuple[str, str]] = []

    def point(act: str, name: str) -> None:
        calls.append((act, name))
        if len(calls) == 5:
            raise OSError(errno.EIO, "Input/output error")

    store = MemoryStore(point)
    store.create("a", b"1")
    store.append("j", b"2")
    store.sync("j")
    with pytest.raises(StorageFault):
        store.append("j", b"3")
    store.append("j", b"4")
    assert calls == [
        ("write", "a"),
        ("sync", "a"),
        ("write", "j"),
        ("sync", "j"),
        ("write", "j"),
        ("write", "j"),
    ]
    assert store.read("j") == b"24"


def test_in_memory_a_failed_sync_ends_the_file() -> None:
    store = MemoryStore(lambda act, name: fail_at(act, "sync"))
    store.append("j", b"line\n")
    with pytest.raises(StorageFault, match="could not be made durable"):
        store.sync("j")
    with pytest.raises(StorageFault, match="out of service"):
        store.append("j", b"next\n")


def fail_at(act: str, wanted: str) -> None:
    if act == wanted:
        raise OSError(errno.EIO, "Input/output error")


def test_a_power_cut_drops_what_was_not_synced() -> None:
    store = MemoryStore()
    store.append("j", b"kept\n")
    store.sync("j")
    store.append("j", b"lost\n")
    store.power_cut()
    assert store.read("j") == b"kept\n"


def test_a_power_cut_may_tear_the_last_write_by_a_seed() -> None:
    left: set[bytes] = set()
    for seed in range(40):
        store = MemoryStore()
        store.append("j", b"kept\n")
        store.sync("j")
        store.append("j", b"torn\n")
        store.power_cut(seed)
        left.add(store.read("j"))
    assert left == {b"kept\n" + b"torn\n"[:length] for length in range(6)}


def test_a_full_disk_in_memory_says_that_it_is_full() -> None:
    store = MemoryStore(capacity_bytes=10)
    store.append("j", b"12345678")
    with pytest.raises(StorageFault, match="The disk is full"):
        store.create("c", b"123")
    assert store.free_bytes() == 2


def test_a_memory_store_can_be_saved_as_a_folder(tmp_path: Path) -> None:
    store = MemoryStore()
    store.create("captures/a.h5", b"1")
    store.append("journal.jsonl", b"2\n")
    store.save_to(tmp_path / "run")
    copy = FolderStore(tmp_path / "run")
    assert {name: copy.read(name) for name in copy.names()} == {
        "captures/a.h5": b"1",
        "journal.jsonl": b"2\n",
    }


def test_what_an_appender_took_survives_a_power_cut() -> None:
    store = MemoryStore()
    rows = store.appender("cycles.txt")
    rows.append(b"one\n")
    store.append("cycles.txt", b"two\n")
    store.power_cut()
    assert store.read("cycles.txt") == b"one\n"


def test_each_addition_is_one_write_and_one_sync() -> None:
    acts: list[tuple[str, str]] = []
    store = MemoryStore(lambda act, name: acts.append((act, name)))
    store.appender("cycles.txt").append(b"one\n")
    assert acts == [("write", "cycles.txt"), ("sync", "cycles.txt")]


def _whole_lines(data: bytes) -> int:
    return data.rfind(b"\n") + 1


def test_torn_bytes_of_a_file_opened_again_are_kept_aside_and_named(store: Store) -> None:
    store.appender("cycles.txt").append(b"one\ntw")
    again = store.appender("cycles.txt", _whole_lines)
    again.append(b"two\n")
    assert again.aside == "cycles.txt.torn-1"
    assert store.read(again.aside) == b"tw"
    assert store.read("cycles.txt") == b"one\ntwo\n"
    assert store.appender("cycles.txt", _whole_lines).aside is None


def test_a_second_torn_end_gets_a_second_file_and_the_same_end_none(store: Store) -> None:
    store.create("cycles.txt.torn-1", b"tw")
    store.appender("cycles.txt").append(b"one\ntw")
    assert store.appender("cycles.txt", _whole_lines).aside == "cycles.txt.torn-1"
    store.appender("cycles.txt").append(b"thr")
    assert store.appender("cycles.txt", _whole_lines).aside == "cycles.txt.torn-2"
    assert store.names() == ["cycles.txt", "cycles.txt.torn-1", "cycles.txt.torn-2"]


def test_a_torn_end_that_cannot_be_kept_aside_is_not_cut_off() -> None:
    store = MemoryStore()
    store.appender("cycles.txt").append(b"one\ntw")

    def full(act: str, name: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    store.point = full
    with pytest.raises(StorageFault, match="The disk is full"):
        store.appender("cycles.txt", _whole_lines)
    assert store.read("cycles.txt") == b"one\ntw"
