"""A leakage meter in overload: an F where the specimen did it, never an F where the meter is broken."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.equipment.leakage_meter import ScpiLeakageMeter
from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.core.reasons import Reason
from orchestrator.engine.judge import Evidence, Value, judge
from orchestrator.record.sheet import data_sheet
from orchestrator.record.verify import verify
from sequences.quantity import Quantity
from tests.run.worlds import Ending, RealBench, VirtualBench, short_sequence

Bench = VirtualBench | RealBench
HIGHEST_A = 2e-3  # of the bench


def leakage(ending: Ending) -> dict[str, Any]:
    return next(row for row in ending.of("verdict") if row["result"] == "leakage")


def leaking(bench: Bench, factor: str) -> Ending:
    """The specimen leaks so much from its shot on."""

    def leak(entry: dict[str, Any]) -> None:
        if entry["kind"] == "triggered":
            bench.set("specimen.leaks", factor)

    ending = bench.perform(short_sequence(), leak)
    bench.set("specimen.leaks", "x1")
    return ending


def test_a_specimen_that_overloads_the_meter_is_an_f_and_no_instrument_fault(bench: Bench) -> None:
    ending = leaking(bench, "x1000")

    assert ending.end.cause.reason is Reason.COMPLETED
    assert ending.end.outcome is Outcome.FAIL
    row = leakage(ending)
    assert row["verdict"] == Verdict.FAILS
    assert row["value"] == HIGHEST_A
    assert row["above"] is True
    assert "more than 2 mA" in row["sentence"]
    assert "more than 2 mA" in data_sheet(ending.entries)
    assert verify(ending.store, None).ok


def test_a_reading_beyond_the_meters_highest_counts_as_more_than_that() -> None:
    ending = leaking(
        VirtualBench(), "x30"
    )  # some 3 mA: a number, but not one that the meter's accuracy holds for

    assert leakage(ending)["verdict"] == Verdict.FAILS
    measured = [entry for entry in ending.of("measurement") if entry["result"] == "leakage"]
    assert [(entry["value"], entry["above"]) for entry in measured] == [(HIGHEST_A, True)]


def broken(monkeypatch: pytest.MonkeyPatch, says: Any) -> Ending:
    """A run with a sound specimen and a meter that says something else from the shot on."""
    reads = ScpiLeakageMeter.current_a
    shot: list[int] = []

    def current_a(meter: ScpiLeakageMeter) -> float:
        return float(says(meter, reads(meter))) if shot else reads(meter)

    monkeypatch.setattr(ScpiLeakageMeter, "current_a", current_a)
    return VirtualBench().perform(
        short_sequence(), lambda entry: shot.append(1) if entry["kind"] == "triggered" else None
    )


@pytest.mark.parametrize(
    ("symptom", "words"),
    [
        (lambda meter, read: math.inf, "with its output off"),
        (lambda meter, read: 5 * HIGHEST_A, "with its output off"),
        (lambda meter, read: math.nan, "has no reading"),
    ],
    ids=["always overloaded", "stuck at a number", "no reading"],
)
def test_a_broken_meter_is_never_an_f(monkeypatch: pytest.MonkeyPatch, symptom: Any, words: str) -> None:
    ending = broken(monkeypatch, symptom)

    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert words in ending.end.cause.what
    assert leakage(ending)["verdict"] == Verdict.NOT_JUDGED
    assert ending.end.off_proven is True


def test_one_overloaded_reading_that_is_not_confirmed_is_never_an_f(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[int] = []

    def once(meter: ScpiLeakageMeter, read: float) -> float:
        said.append(1)
        return math.inf if len(said) == 1 else read

    ending = broken(monkeypatch, once)

    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert "when it was asked again" in ending.end.cause.what
    assert leakage(ending)["verdict"] == Verdict.NOT_JUDGED


def test_an_overload_by_a_short_beside_the_specimen_is_never_an_f() -> None:
    bench = VirtualBench()

    def short(entry: dict[str, Any]) -> None:
        if entry["kind"] == "triggered":
            bench.set("connection", "link")

    ending = bench.perform(short_sequence(), short)

    assert ending.end.cause.reason is Reason.SUPPLY_FAULT
    assert "to the terminals, the bench reads 0 V there" in ending.end.cause.what
    assert leakage(ending)["verdict"] == Verdict.NOT_JUDGED


# ---- what is known only to be more than something


def verdict(judged: str, limits: dict[str, float], values: list[Value]) -> str:
    sides = {
        side: Quantity(limits[side], "A", f"{limits[side]} A") if side in limits else None
        for side in ("at_most", "at_least")
    }
    requirement: Any = SimpleNamespace(
        clause="invented 1", result="leakage", judged=judged, must_be=None, rule="simple_acceptance", **sides
    )
    return judge(requirement, Evidence({"leakage": values}, {}, len(values)), None).verdict


SOUND, OVER = Value(1, 1e-4, "A"), Value(2, HIGHEST_A, "A", above=True)


@pytest.mark.parametrize(
    ("judged", "limits", "values", "wanted"),
    [
        ("every shot", {"at_most": 2.2e-4}, [SOUND, OVER], "F"),
        ("last", {"at_most": 2.2e-4}, [SOUND, OVER], "F"),
        ("first", {"at_most": 2.2e-4}, [SOUND, OVER], "P"),
        ("largest", {"at_most": 2.2e-4}, [SOUND, OVER], "F"),
        ("mean", {"at_most": 2.2e-4}, [SOUND, OVER], "F"),
        (
            "mean",
            {"at_most": 1.5e-3},
            [SOUND, OVER],
            "N/J",
        ),  # the mean is more than 1.05 mA, who knows how much
        ("every shot", {"at_most": 5e-3}, [SOUND, OVER], "N/J"),
        ("every shot", {"at_least": 5e-3}, [OVER], "N/J"),  # it may well be more than that
        ("every shot", {"at_least": 5e-4}, [OVER], "N/J"),
        ("change first to last", {"at_most": 0.5}, [SOUND, OVER], "F"),
        (
            "change first to last",
            {"at_most": 0.5},
            [Value(1, HIGHEST_A, "A", above=True), Value(2, 1e-4, "A")],
            "N/J",
        ),
    ],
)
def test_a_one_sided_value_is_evidence_for_an_f_beyond_an_upper_limit_and_for_nothing_else(
    judged: str, limits: dict[str, float], values: list[Value], wanted: str
) -> None:
    assert verdict(judged, limits, values) == wanted
