"""Tidewater ends as its own table says, with every trick of the scenario; judged by the record and the truth log."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
import yaml

from orchestrator.core.reasons import Reason
from orchestrator.record.verify import verify
from orchestrator.rehearse.rehearsal import Rehearsal, plant_for, prepare, put_together
from orchestrator.rehearse.world import VirtualWorld
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence

TIDEWATER = Path(__file__).parents[2] / "sequences" / "library" / "tidewater"
EXPECTED: dict[str, dict[str, Any]] = yaml.safe_load((TIDEWATER / "expected.yaml").read_text())


def rehearsal(expected: dict[str, Any], seed: int = 1) -> Rehearsal:
    sequence = load_sequence(TIDEWATER / "sequence.yaml", KINDS)
    plant = plant_for(TIDEWATER / "bench.yaml", seed)
    for name, value in expected.get("plant", {}).items():
        plant.set(name, str(value), 0.0)
    return prepare(
        sequence, load_bench(TIDEWATER / "bench.yaml"), plant, seed, "TW-04", on_entry=lambda e: act(e)
    )


def act(entry: dict[str, Any]) -> None:
    """Replaced by a test that has somebody act."""


@pytest.mark.parametrize("name", EXPECTED)
def test_tidewater_ends_as_its_table_says(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = EXPECTED[name]
    run = rehearsal(expected)

    def aborting(entry: dict[str, Any]) -> None:
        charging = entry["kind"] == "intent" and entry["act"] == "charge" and entry["part"] == "duty"
        if charging and entry["shot"] == expected.get("abort"):
            run.world.stop.because(Reason.ABORT_BY_PERSON, "asked for it", "the technician")

    monkeypatch.setattr(f"{__name__}.act", aborting)
    end = run.perform()

    assert (end.outcome, end.cause.reason) == (expected["outcome"], expected["reason"])
    assert [row.verdict for row in end.rows] == expected["verdicts"]
    truth = run.virtual.plant.truth()
    assert sum(e["event"] == "shot" and e["connection"] == "specimen" for e in truth) == expected["shots"]
    assert verify(run.store, None).ok


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    def record(seed: int) -> dict[str, bytes]:
        run = rehearsal({}, seed)
        run.perform()
        names = set(run.store.names()) - {"environment.json", "environment.sha256"}
        return {name: run.store.read(name) for name in names}

    assert record(1) == record(1)
    assert record(1)["captures/duty-01.h5"] != record(2)["captures/duty-01.h5"]


def test_renewals_that_are_taken_as_done_change_no_byte_of_the_record() -> None:
    exchanged, coasted = rehearsal({}), rehearsal({})
    coasted = put_together(coasted.order, VirtualWorld(plant_for(TIDEWATER / "bench.yaml", 1)), coasts=True)
    assert exchanged.perform() == coasted.perform()
    assert {n: exchanged.store.read(n) for n in exchanged.store.names()} == {
        n: coasted.store.read(n) for n in coasted.store.names()
    }
    many, few = (run.virtual.plant.exchanges() for run in (exchanged, coasted))
    assert few["safety_io"] < 0.8 * many["safety_io"]
    assert {**many, "safety_io": 0} == {**few, "safety_io": 0}


def test_the_interval_is_kept_although_the_clock_is_stepped_by_an_hour() -> None:
    from datetime import timedelta

    run = rehearsal({})

    def step(entry: dict[str, Any]) -> None:
        if entry["kind"] == "observation" and entry["shot"] == 3:
            run.virtual.utc_step = timedelta(hours=-1)

    run.world.journal._on_entry = step
    run.perform()

    fired = [
        e["at_s"] for e in run.virtual.plant.truth() if e["event"] == "shot" and e["connection"] == "specimen"
    ]
    apart = [later - earlier for earlier, later in itertools.pairwise(fired)]
    assert all(45.0 <= interval_s < 46.0 for interval_s in apart), apart
    assert [e["step_s"] for e in run.world.journal.entries if e["kind"] == "clock_step"] == [-3600.0]


def test_an_abort_while_the_cloth_is_watched_says_that_fire_is_possible(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = rehearsal({})

    def aborting(entry: dict[str, Any]) -> None:
        if entry["kind"] == "asked" and entry["ask"] == "observe":
            run.world.stop.because(Reason.ABORT_BY_PERSON, "asked for it", "the technician")

    monkeypatch.setattr(f"{__name__}.act", aborting)
    end = run.perform()

    assert end.off_proven is True
    assert "Fire is possible" in end.sentence
    assert run.world.journal.entries[-1]["kind"] == "verdict"
    ended = next(e for e in run.world.journal.entries if e["kind"] == "run_ended")
    assert ended["indicator_doubt"] == "the cheesecloth is being watched after shot 1"


def test_the_indicator_is_called_fresh_by_the_person_who_put_it_there_and_not_before() -> None:
    run = rehearsal({})
    run.perform()
    kinds = [e["kind"] for e in run.world.journal.entries]
    connected = next(i for i, e in enumerate(run.world.journal.entries) if e.get("connection") == "specimen")

    assert kinds.index("indicator") > connected
