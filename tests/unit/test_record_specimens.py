import json
from pathlib import Path

import pytest

from orchestrator.core.reasons import Reason
from orchestrator.record.specimens import history
from tests.golden.invented_run import Plan, invented_folder


def write(data: Path, run: str, **plan: object) -> None:
    invented_folder(data, Plan(run=run, shots=4, verification_shots=1, samples=40, **plan))  # type: ignore[arg-type]


def test_an_unknown_specimen_has_no_history(tmp_path: Path) -> None:
    found = history(tmp_path / "not made yet", "TW-04")
    assert (found.runs, found.shots_applied, found.spent, found.last_outcome) == ([], 0, False, None)


@pytest.mark.parametrize("identity", ["TW-04", "tw-04", " TW - 04 "])
def test_case_and_white_space_do_not_make_another_specimen(tmp_path: Path, identity: str) -> None:
    write(tmp_path, "r-1")
    write(tmp_path, "r-2", specimen="TW-05")
    assert [run.run for run in history(tmp_path, identity).runs] == ["r-1"]


def test_a_completed_duty_spends_the_specimen(tmp_path: Path) -> None:
    write(tmp_path, "r-1")
    found = history(tmp_path, "TW-04")
    assert found.spent_because == "its duty was completed in run r-1"
    assert (found.shots_applied, found.last_outcome) == (4, "pass")


@pytest.mark.parametrize(("rule", "spent"), [("may go on", False), ("is spent", True)])
def test_after_an_abort_the_sequence_decides(tmp_path: Path, rule: str, spent: bool) -> None:
    write(tmp_path, "r-1", stop_after=2, reason=Reason.ABORT_BY_PERSON, after_a_stop=rule)
    found = history(tmp_path, "TW-04")
    assert found.spent is spent
    assert (found.shots_applied, found.last_outcome, found.part_of) == (2, "inconc", ["r-1"])


def test_a_stop_before_the_first_shot_spends_nothing(tmp_path: Path) -> None:
    invented_folder(
        tmp_path,
        Plan(
            run="r-1",
            shots=0,
            verification_shots=1,
            samples=40,
            reason=Reason.INTERLOCK_OPEN,
            after_a_stop="is spent",
        ),
    )
    assert not history(tmp_path, "TW-04").spent


def test_a_failed_specimen_is_spent_whatever_the_sequence_says(tmp_path: Path) -> None:
    write(tmp_path, "r-1", stop_after=3, reason=Reason.INDICATOR_IGNITED, scorched_shot=3)
    assert history(tmp_path, "TW-04").spent_because == "it failed a requirement in run r-1"


def test_an_interrupted_run_counts_every_announced_trigger(tmp_path: Path) -> None:
    write(tmp_path, "r-1", stop_after=3, ended=False, sealed=False)
    [run] = history(tmp_path, "TW-04").runs
    assert (run.interrupted, run.sealed, run.shots_applied, run.outcome) == (True, False, 3, "none")
    assert run.spends == "it was stopped after 3 shot(s), and its sequence says that it is spent then"


def test_an_interrupted_run_goes_on_where_the_frozen_sequence_allows_it(tmp_path: Path) -> None:
    write(tmp_path, "r-1", stop_after=3, ended=False, sealed=False)
    (tmp_path / "r-1" / "sequence.yaml").write_text("specimen: {after_a_stop: may go on}\n")
    assert not history(tmp_path, "TW-04").spent


def test_ignition_seen_before_an_interruption_spends(tmp_path: Path) -> None:
    write(tmp_path, "r-1", stop_after=2, ended=False, sealed=False, scorched_shot=2)
    (tmp_path / "r-1" / "sequence.yaml").write_text("specimen: {after_a_stop: may go on}\n")
    assert history(tmp_path, "TW-04").spent_because == "its indicator showed ignition in run r-1"


def test_a_rehearsal_is_listed_and_counts_for_nothing(tmp_path: Path) -> None:
    write(tmp_path, "r-1", world="rehearsal")
    found = history(tmp_path, "TW-04")
    assert [run.world for run in found.runs] == ["rehearsal"]
    assert (found.shots_applied, found.spent, found.last_outcome) == (0, False, None)


def test_a_shot_that_came_by_itself_counts_in_an_interrupted_run(tmp_path: Path) -> None:
    write(tmp_path, "r-1", stop_after=2, ended=False, sealed=False)
    journal = tmp_path / "r-1" / "journal.jsonl"
    spurious = {"n": 0, "kind": "triggered", "part": "duty", "shot": 3, "repeat": 0, "prev": ""}
    journal.write_text(journal.read_text() + json.dumps(spurious) + "\n")

    assert history(tmp_path, "TW-04").shots_applied == 3
