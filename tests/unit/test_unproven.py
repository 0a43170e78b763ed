"""Which records block the next start, whoever was alive at the end of the run."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.daemon.places import Places
from orchestrator.daemon.unproven import block_after_unproven, block_start
from orchestrator.engine.desk import Desk
from orchestrator.engine.people import Person
from orchestrator.engine.preflight import Refused
from orchestrator.engine.stop import Stop
from orchestrator.monitor.kept import Kept
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.port import Reply, Snapshot
from orchestrator.record.journal import Journal
from orchestrator.record.store import FolderStore
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence
from tests.monitor_bench import PROVEN, ToyBench, rules
from tests.run.worlds import TIDEWATER

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


class MonitorThatStalled:
    """A monitor that knows of nothing: it was stopped while the run ended, and goes on as if nothing had been."""

    def __init__(self) -> None:
        self.monitor = Monitor(rules(), proven_age_s=PROVEN)
        self.toy = ToyBench()
        self.now_s = 0.0
        self.ask("renew", 1.0, lambda: None)

    def snapshot(self) -> Snapshot:
        return Snapshot.from_json(self.monitor.snapshot())

    def ask(self, act: str, timeout_s: float, on_slice: Any, **args: Any) -> Reply:
        self.now_s += 0.005
        self.toy.live_until(self.now_s)
        turn = self.monitor.turn(self.now_s, self.toy.reading(), [{"id": 1, "act": act, **args}])
        return turn.replies[0]

    def lost(self) -> bool:
        return False


def test_what_was_blocked_while_the_monitor_stalled_counts_at_the_next_start_of_the_same_daemon(
    tmp_path: Path,
) -> None:
    port = MonitorThatStalled()
    places = Places(tmp_path, tmp_path / "s")
    port_: Any = port
    desk = Desk(load_bench(TIDEWATER / "bench.yaml"), places, port_, lambda _: None, lambda: None)
    assert block_start(tmp_path, RUN, "the interlock monitor did not answer") is None
    assert port.snapshot().blocked is None

    with pytest.raises(Refused) as refused:
        desk.start({"sequence": "any.yaml", "specimen": "TW-01"}, Person("B. Example"), lambda _: None)

    assert refused.value.code == "start-blocked"
    assert RUN in refused.value.sentence
    assert port.snapshot().blocked == refused.value.sentence == Kept(tmp_path).blocked()
    assert port.snapshot().lamp == "red"
    assert desk.release({}, Person("B. Example"), lambda _: None)["sentence"].endswith(
        "released by B. Example."
    )


def test_a_pause_that_outlasts_a_calibration_is_refused_by_the_daemon_until_somebody_answers_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, who = load_bench(TIDEWATER / "bench.yaml"), Person("B. Example")
    assert bench.bench is not None
    port: Any = MonitorThatStalled()
    desk = Desk(bench, Places(tmp_path, tmp_path / "s"), port, lambda _: None, lambda: None)
    due = min(one.calibration_due for one in bench.bench.instruments.values())
    now = [datetime(due.year, due.month, due.day, 20, tzinfo=UTC)]
    monkeypatch.setattr("orchestrator.engine.desk.datetime", SimpleNamespace(now=lambda zone: now[0]))
    stop, sequence = Stop(lambda: 0.0), load_sequence(TIDEWATER / "sequence.yaml", KINDS, {})
    desk._order = SimpleNamespace(sequence=sequence, override=None)  # type: ignore[assignment] # a run in progress
    desk._stop, desk._planned_end = stop, now[0] + timedelta(hours=1)

    desk.pause(who)
    now[0] += timedelta(hours=2)
    assert desk.resume({}, who)["sentence"] == "The run goes on."

    desk.pause(who)
    now[0] += timedelta(hours=3)  # past midnight, and an hour was left to go
    with pytest.raises(Refused) as refused:
        desk.resume({}, who)
    assert refused.value.code == "calibration-lapsed"
    assert stop.pause_asked_by == who.name

    desk.resume({"override_calibration": "compared today", "override_by": "O. Charge"}, who)
    assert stop.pause_asked_by is None
    assert stop.resumed_in_spite_of is not None
    assert stop.resumed_in_spite_of["reason"] == "compared today"
    assert stop.resumed_in_spite_of["by"]["name"] == "O. Charge"
