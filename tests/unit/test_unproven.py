"""Which records block the next start, whoever was alive at the end of the run."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from orchestrator.daemon.unproven import block_after_unproven
from orchestrator.monitor.kept import Kept
from orchestrator.record.journal import Journal
from orchestrator.record.store import FolderStore

RUN = "20261124-2332-TW-01"
INTENT = ("intent", {"act": "energise", "output": "high_voltage"})
OFF = ("off_proof", {"safe": True})
NOT_OFF = ("off_proof", {"safe": False})
PROVEN_END = ("run_ended", {"off_proven": True, "sentence": "It ended."})
OPEN_END = ("run_ended", {"off_proven": None, "sentence": "The interlock monitor is gone."})

Entry = tuple[str, dict[str, Any]]


class Clock:
    """A clock that stands still."""

    def now_s(self) -> float:
        return 1.0

    def utc(self) -> datetime:
        return datetime(2026, 11, 24, 23, 32, tzinfo=UTC)


def recorded(data: Path, *entries: Entry, world: str = "real") -> None:
    """A run of that journal in the data folder."""
    journal = Journal(FolderStore(data / RUN), Clock())
    for kind, fields in (("run_started", {"run": RUN, "world": world}), *entries):
        journal.append(kind, **fields)


@pytest.mark.parametrize(
    ("entries", "blocks"),
    [
        ([INTENT], True),
        ([INTENT, NOT_OFF], True),
        ([INTENT, OFF, INTENT], True),
        ([INTENT, OFF, OPEN_END], True),
        ([], False),
        ([INTENT, OFF], False),
        ([INTENT, OFF, PROVEN_END], False),
        ([INTENT, NOT_OFF, PROVEN_END], False),
        ([OPEN_END], False),
    ],
)
def test_what_was_left_without_proof_of_off_blocks(
    tmp_path: Path, entries: list[Entry], blocks: bool
) -> None:
    recorded(tmp_path, *entries)

    assert block_after_unproven(tmp_path) is None
    sentence = Kept(tmp_path).blocked()
    assert (sentence is not None) is blocks
    if sentence is not None:
        assert sentence.startswith(f"Start blocked: off was not proven at the end of run {RUN}")
        assert "Treat the bench as live" in sentence


def test_a_rehearsal_never_blocks(tmp_path: Path) -> None:
    recorded(tmp_path, INTENT, world="rehearsal")
    block_after_unproven(tmp_path)
    assert Kept(tmp_path).blocked() is None


@pytest.mark.parametrize(
    ("acts", "blocks"),
    [
        ([{"act": "released", "run": RUN}], False),
        ([{"act": "released", "run": "20261123-0101-TW-00"}], True),
        ([{"act": "acknowledged", "run": RUN}], True),
    ],
)
def test_only_a_release_after_that_run_lets_it_go(tmp_path: Path, acts: list[Any], blocks: bool) -> None:
    """The last line of the acts is torn: the lines before it count all the same."""
    recorded(tmp_path, INTENT)
    lines = [*map(json.dumps, acts), '{"act": "rele']
    (tmp_path / "acts.jsonl").write_text("\n".join(lines))
    block_after_unproven(tmp_path)
    assert (Kept(tmp_path).blocked() is not None) is blocks


def test_an_earlier_block_keeps_its_own_words(tmp_path: Path) -> None:
    recorded(tmp_path, INTENT)
    Kept(tmp_path).block("Start blocked: earth is not closed.", {})
    block_after_unproven(tmp_path)
    assert Kept(tmp_path).blocked() == "Start blocked: earth is not closed."
