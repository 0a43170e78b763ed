import errno
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.outcome import Outcome
from orchestrator.record.chain import NO_LINE_BEFORE, encode_line
from orchestrator.record.journal import JOURNAL, Journal, plain
from orchestrator.record.store import MemoryStore, StorageFault


class Ticking:
    """A clock that advances by one second at each look."""

    def __init__(self) -> None:
        self.s = 0.0

    def now_s(self) -> float:
        self.s += 1.0
        return self.s

    def utc(self) -> datetime:
        return datetime(2026, 3, 1, tzinfo=UTC) + timedelta(seconds=self.s)


def lines(store: MemoryStore) -> list[dict[str, Any]]:
    return [json.loads(line) for line in store.read(JOURNAL).splitlines()]


def require_chain(data: bytes) -> int:
    before = NO_LINE_BEFORE
    for number, line in enumerate(data.splitlines(keepends=True), 1):
        entry = json.loads(line)
        assert entry["prev"] == before
        assert entry["n"] == number
        before = hashlib.sha256(line).hexdigest()
    return data.count(b"\n")


def test_each_line_carries_the_hash_of_the_line_before() -> None:
    store = MemoryStore()
    journal = Journal(store, Ticking())
    journal.append("run_started", run="r-1")
    journal.append("run_state", **{"from": "drafted", "to": "admitted", "event": "admit"})
    journal.keep("off_proof", safe=True)
    assert require_chain(store.read(JOURNAL)) == 3
    assert journal.count == 3
    assert journal.head == hashlib.sha256(store.read(JOURNAL).splitlines(keepends=True)[-1]).hexdigest()


def test_an_entry_is_durable_when_append_returns() -> None:
    store = MemoryStore()
    journal = Journal(store, Ticking())
    journal.append("intent", act="trigger", shot=1)
    store.power_cut()
    assert [entry["kind"] for entry in lines(store)] == ["intent"]


def test_what_append_returns_is_what_a_reader_finds() -> None:
    store = MemoryStore()
    journal = Journal(store, Ticking())
    returned = journal.append(
        "figures",
        results={"peak": np.float64(1.5), "count": np.int64(3)},
        outcome=Outcome.PASS,
        row=np.arange(3),
        at=datetime(2026, 1, 1, tzinfo=UTC),
        file=Path("a/b"),
        pair=(1, None),
    )
    assert lines(store) == [returned] == journal.entries
    assert returned["results"] == {"peak": 1.5, "count": 3}
    assert returned["outcome"] == "pass"
    assert returned["row"] == [0, 1, 2]


def test_not_a_number_is_written_as_null() -> None:
    store = MemoryStore()
    Journal(store, Ticking()).append("x", a=float("nan"), b=[float("inf")], c=np.float64("nan"))
    assert {name: lines(store)[0][name] for name in "abc"} == {"a": None, "b": [None], "c": None}


def test_an_undecodable_byte_of_a_remark_is_kept_as_an_escape() -> None:
    remark = b"caf\xe9".decode("utf-8", "surrogateescape")
    line = encode_line({"remark": remark})
    assert line == b'{"remark": "caf\\udce9"}\n'
    assert json.loads(line) == {"remark": remark}


def test_append_refuses_a_value_without_a_plain_form_and_keep_writes_its_text() -> None:
    store = MemoryStore()
    journal = Journal(store, Ticking())
    with pytest.raises(TypeError, match="object has no form in the journal"):
        journal.append("x", what=object())
    assert journal.keep("x", what=object) is None
    assert lines(store)[0]["what"] == "<class 'object'>"


def test_times_are_utc_and_monotonic() -> None:
    store = MemoryStore()
    Journal(store, Ticking()).append("x")
    assert lines(store)[0]["utc"] == "2026-03-01T00:00:00.000000Z"
    assert lines(store)[0]["mono_s"] == 1.0


@dataclass
class Failing:
    """Fails the writes and syncs with these numbers, counted from 0."""

    at: set[int]
    calls: int = 0

    def __call__(self, act: str, name: str) -> None:
        number, self.calls = self.calls, self.calls + 1
        if number in self.at:
            raise OSError(errno.ENOSPC, "No space left on device")


def test_after_a_failed_write_append_goes_on_refusing() -> None:
    journal = Journal(MemoryStore(Failing({2})), Ticking())
    journal.append("one")
    for _ in range(3):
        with pytest.raises(StorageFault, match="The disk is full"):
            journal.append("two")
    assert journal.count == 1


def test_keep_tells_the_fault_and_names_what_was_lost_when_it_can_write_again() -> None:
    store = MemoryStore(Failing({2, 3}))
    journal = Journal(store, Ticking())
    journal.append("one")
    with pytest.raises(StorageFault):
        journal.append("intent")
    assert isinstance(journal.keep("off_proof", safe=True), StorageFault)
    assert journal.keep("cause", reason="storage_fault") is None
    assert journal.keep("run_ended") is None
    assert [entry.get("not_written") for entry in lines(store)] == [None, ["intent", "off_proof"], None]
    require_chain(store.read(JOURNAL))


def test_a_listener_hears_also_what_could_not_be_stored() -> None:
    heard: list[dict[str, Any]] = []
    journal = Journal(MemoryStore(Failing({2})), Ticking(), heard.append)
    journal.append("one")
    journal.keep("off_proof", safe=True)
    assert [(entry["kind"], entry.get("stored", True)) for entry in heard] == [
        ("one", True),
        ("off_proof", False),
    ]


def test_a_journal_never_continues_another() -> None:
    store = MemoryStore()
    Journal(store, Ticking()).append("one")
    with pytest.raises(StorageFault, match="is there already"):
        Journal(store, Ticking())


@given(
    fails=st.sets(st.integers(0, 30)),
    acts=st.lists(st.sampled_from(["append", "keep"]), max_size=15),
    seed=st.none() | st.integers(0, 1000),
)
def test_whatever_fails_the_chain_verifies(fails: set[int], acts: list[str], seed: int | None) -> None:
    """And what append or keep called durable is still there after a power cut."""
    store = MemoryStore(Failing(fails))
    journal = Journal(store, Ticking())
    durable = []
    for number, act in enumerate(acts):
        if act == "keep":
            stored = journal.keep("k", number=number) is None
        else:
            try:
                journal.append("a", number=number)
                stored = True
            except StorageFault:
                stored = False
        durable += [number] if stored else []
    assert [entry["number"] for entry in journal.entries] == durable
    store.power_cut(seed)
    data = store.read(JOURNAL) if acts else b""
    whole = data[: data.rfind(b"\n") + 1]
    require_chain(whole)
    assert [json.loads(line)["number"] for line in whole.splitlines()][: len(durable)] == durable


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner) | st.tuples(inner),
        max_leaves=8,
    )
)
def test_every_plain_value_survives_the_way_to_disk(value: Any) -> None:
    wanted = plain(value)
    assert json.loads(encode_line({"value": wanted}))["value"] == wanted
