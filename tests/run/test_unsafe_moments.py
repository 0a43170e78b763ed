"""Moments in which the bench was less safe than the run believed; each test is named for its symptom."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.links.base import LinkFault
from orchestrator.core.outcome import Outcome
from orchestrator.core.reasons import Reason
from orchestrator.engine.bench import SourceUnit
from tests.run.worlds import Ending, RealBench, VirtualBench, short_sequence

Bench = VirtualBench | RealBench
Entry = dict[str, Any]
STORE_KEEPS_ITS_CHARGE = {
    "generator.does_not_fire": "yes",
    "generator.dump_fails": "yes",
    "discharge.fails": "resistor",
    "store_divider.fails": "reads_0",
}


def shots_before(bench: Bench) -> int:
    return len(bench.truth()) if isinstance(bench, RealBench) else 0


def shots(ending: Ending, since: int) -> list[Entry]:
    return [entry for entry in ending.truth[since:] if entry["event"] == "shot"]


def is_intent(entry: Entry, act: str) -> bool:
    return bool(entry["kind"] == "intent" and entry["act"] == act)


# ---- right before the trigger


def no_shot(bench: Bench, thing: str, open_: str, closed: str = "") -> Ending:
    """A run in which something opens between the announced trigger and the trigger; it lets no shot out."""
    since = shots_before(bench)

    def open_it(entry: Entry) -> None:
        if is_intent(entry, "trigger"):
            bench.set(thing, open_)

    ending = bench.perform(short_sequence(), open_it)
    if closed:
        bench.set(thing, closed)

    assert shots(ending, since) == []
    assert ending.of("run_ended")[0]["shots_applied"] == 0
    assert ending.end.off_proven is True
    return ending


def test_an_interlock_that_opens_right_before_the_trigger_lets_no_shot_out(bench: Bench) -> None:
    """The exhaust is not in the hardware chain: only the software sees it."""
    assert no_shot(bench, "exhaust", "stopped", "running").end.cause.reason is Reason.INTERLOCK_OPEN


@pytest.mark.parametrize(
    ("thing", "open_", "reason"),
    [("door", "open", Reason.INTERLOCK_OPEN), ("emergency_stop", "pressed", Reason.EMERGENCY_STOP)],
)
def test_what_opens_right_before_the_trigger_is_the_first_cause(
    thing: str, open_: str, reason: Reason
) -> None:
    assert no_shot(VirtualBench(), thing, open_).end.cause.reason is reason


def test_the_record_says_when_the_interlocks_were_last_read_before_the_trigger() -> None:
    ending = VirtualBench().perform(short_sequence())

    intent = next(entry for entry in ending.entries if is_intent(entry, "trigger"))
    triggered = ending.of("triggered")[0]
    assert intent["mono_s"] <= triggered["interlocks_read_s"] + 1e-6 <= triggered["triggered_s"] + 2e-6


def test_a_polarity_turned_while_charging_refuses_the_shot_instead_of_spending_it(bench: Bench) -> None:
    since = shots_before(bench)

    def turn(entry: Entry) -> None:
        if entry["kind"] == "charged":
            bench.set("generator.front_panel.polarity", "negative")

    ending = bench.perform(short_sequence(), turn)

    assert shots(ending, since) == []
    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert "polarity: asked for positive, it took negative" in ending.end.cause.what
    assert "the specimen is as it was" in ending.end.cause.what
    assert ending.of("run_ended")[0]["shots_applied"] == 0


# ---- armed, nothing on


def while_armed(bench: Bench, thing: str, value: str) -> Ending:
    """Two shots; after the first one is off and before the next output is asked for, something is moved once."""
    moved: list[bool] = []

    def move(entry: Entry) -> None:
        if entry["kind"] == "observation" and not moved:
            moved.append(True)
            bench.set(thing, value)

    return bench.perform(short_sequence(shots="2"), move)


def test_an_emergency_stop_pressed_while_armed_ends_the_run_although_nothing_is_on(bench: Bench) -> None:
    ending = while_armed(bench, "emergency_stop", "pressed")
    bench.set("emergency_stop", "released")

    assert ending.end.cause.reason is Reason.EMERGENCY_STOP
    assert "while the bench was armed" in ending.end.cause.what
    assert len(ending.of("triggered")) == 1
    assert ending.end.off_proven is True


def test_a_door_opened_while_armed_only_disarms_and_the_run_goes_on_after_arming(bench: Bench) -> None:
    ending = while_armed(bench, "door", "open")

    assert ending.end.cause.reason is Reason.COMPLETED
    assert len(ending.of("triggered")) == 2
    assert sum(entry["granted"] for entry in ending.of("arming")) > 1


# ---- a third witness of off


def test_a_divider_that_fails_while_the_store_keeps_its_charge_is_no_proof_of_off() -> None:
    bench = VirtualBench()

    def fail(entry: Entry) -> None:
        if is_intent(entry, "trigger"):
            for name, bad in STORE_KEEPS_ITS_CHARGE.items():
                bench.set(name, bad)

    ending = bench.perform(short_sequence(), fail)

    proof = next(entry for entry in ending.of("off_proof") if entry["output"] == "high_voltage")
    assert proof["store_v"] == 0  # what the bench's own divider says
    assert proof["source_v"] > 1000
    assert proof["safe"] is False
    assert ending.end.off_proven is False
    assert ending.end.outcome is Outcome.ERROR
    assert "generator still reads" in ending.end.sentence or any(
        "generator still reads" in cause.what for cause in ending.end.later
    )
    assert bench.rehearsal is not None
    blocked = bench.rehearsal.port.monitor.blocked
    assert blocked is not None
    assert "generator still reads" in blocked


def test_a_source_that_is_silent_about_its_store_contradicts_nothing_and_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = SourceUnit.charge_voltage_v
    triggered: list[bool] = []

    def silent(unit: SourceUnit) -> float:
        if triggered:
            raise LinkFault("timeout", unit.name, "did not answer within 2 s")
        return read(unit)

    monkeypatch.setattr(SourceUnit, "charge_voltage_v", silent)
    ending = VirtualBench().perform(
        short_sequence(), lambda entry: triggered.append(True) if is_intent(entry, "trigger") else None
    )

    proof = next(entry for entry in ending.of("off_proof") if entry["output"] == "high_voltage")
    assert proof["safe"] is True
    assert "did not answer" in proof["source_silent"]
    assert ending.end.off_proven is True
    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert "did not say what is left in its store" in ending.end.cause.what


# ---- a long pause


def test_who_let_a_run_go_on_with_a_lapsed_calibration_stands_in_the_record() -> None:
    bench = VirtualBench()
    facts = {
        "by": {"name": "O. Charge", "how": "declared"},
        "planned_end": "2027-01-02",
        "reason": "compared today",
    }

    def pause(entry: Entry) -> None:
        if entry["kind"] == "observation":
            bench.stop.pause_asked_by = "B. Example"
        if entry["kind"] == "paused":
            bench.stop.resumed_in_spite_of = {
                **facts,
                "instruments": [{"name": "meter", "due": "2027-01-01"}],
            }
            bench.stop.pause_asked_by, bench.stop.resumed_by = None, "B. Example"

    ending = bench.perform(short_sequence(), pause)

    kinds = [entry["kind"] for entry in ending.entries]
    assert kinds.index("paused") < kinds.index("override") < kinds.index("resumed")
    assert ending.of("override")[0]["reason"] == "compared today"
    assert ending.end.outcome is Outcome.PASS
