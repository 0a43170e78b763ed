"""The engine in both worlds, judged by the plant's truth log and the stored record."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.core.reasons import Reason
from orchestrator.record.verify import verify
from tests.run.worlds import Ending, RealBench, VirtualBench, short_sequence

Bench = VirtualBench | RealBench
TOUCH_SAFE_V = 50.0


def shots(ending: Ending, since: int = 0) -> list[dict[str, Any]]:
    return ending.happened("shot")[since:]


def assert_safe(ending: Ending) -> None:
    """By the plant's own word: contactors open, discharge and earth closed at the end."""
    last = {e["name"]: e["state"] for e in ending.truth if e["event"] == "contactor"}
    assert last == {"high_voltage": "open", "leakage": "open", "discharge": "closed", "earth": "closed"}


def test_one_shot_runs_to_a_sealed_record_and_a_valid_outcome(bench: Bench) -> None:
    before = len(bench.truth()) if isinstance(bench, RealBench) else 0
    ending = bench.perform(short_sequence())

    assert ending.end.sentence.startswith("Every step was done")
    assert ending.end.outcome is Outcome.PASS
    assert [row.verdict for row in ending.end.rows] == [Verdict.PASSES] * len(ending.end.rows)
    assert len([e for e in ending.truth[before:] if e["event"] == "shot"]) == 1
    assert_safe(ending)
    assert verify(ending.store, None).ok


def test_intent_is_durable_before_energy_and_the_capture_before_its_figures(bench: Bench) -> None:
    ending = bench.perform(short_sequence())

    kinds = [entry["kind"] for entry in ending.entries]
    trigger = next(i for i, e in enumerate(ending.entries) if e["kind"] == "intent" and e["act"] == "trigger")
    assert kinds.index("proof_of_capture") < kinds.index("intent", kinds.index("proof_of_capture")) < trigger
    assert trigger < kinds.index("capture") < kinds.index("figures")
    fired_s = shots(ending)[-1]["at_s"]
    assert ending.entries[trigger]["mono_s"] <= fired_s + 1e-6  # the journal rounds to a nanosecond


def test_a_person_aborts_while_charging_and_no_shot_is_fired(bench: Bench) -> None:
    before = len(bench.truth()) if isinstance(bench, RealBench) else 0

    def abort(entry: dict[str, Any]) -> None:
        if entry["kind"] == "intent" and entry["act"] == "charge":
            bench.stop.because(Reason.ABORT_BY_PERSON, "the test wants it", "tester")

    ending = bench.perform(short_sequence(), abort)

    assert ending.end.cause.reason is Reason.ABORT_BY_PERSON
    assert ending.end.outcome is Outcome.INCONC
    assert [e for e in ending.truth[before:] if e["event"] == "shot"] == []
    assert {row.verdict for row in ending.end.rows} == {Verdict.NOT_JUDGED}
    assert_safe(ending)


def test_the_door_opened_while_charged_stops_the_run_and_names_the_door(bench: Bench) -> None:
    def open_door(entry: dict[str, Any]) -> None:
        if entry["kind"] == "charged":
            bench.set("door", "open")

    ending = bench.perform(short_sequence(), open_door)
    bench.set("door", "closed")

    assert ending.end.cause.reason is Reason.INTERLOCK_OPEN
    assert "door" in ending.end.cause.what
    assert ending.end.off_proven is True
    assert_safe(ending)


@pytest.mark.parametrize(
    ("name", "value", "sound"),
    [("digitiser_v.waiting_bit", "stuck_0", "ok"), ("digitiser_i.stalls", "yes", "no")],
)
def test_no_shot_without_proof_of_capture(bench: Bench, name: str, value: str, sound: str) -> None:
    before = len(bench.truth()) if isinstance(bench, RealBench) else 0
    bench.set(name, value)
    ending = bench.perform(short_sequence())
    bench.set(name, sound)

    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert "not waiting for trigger" in ending.end.cause.what
    assert [e for e in ending.truth[before:] if e["event"] == "shot"] == []
