"""Everything that stops a cyclic duty, at the worst moments of a cycle; judged by what the plant did."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from orchestrator.core.reasons import Reason
from orchestrator.record.verify import verify
from orchestrator.rehearse.faults.harness import EngineStruck, Harness
from tests.run.endurance import Bench, after_make, at_instant, bench

FULL = bool(os.environ.get("BENCHWARD_FULL"))
SHORT = {"cycles": "20", "checked_every": "10"}
DEADLINE_S = 1.0  # of stop category 1, from the bench file
WATCHDOG_S = 0.5
RELAY_S = 0.1  # a contactor and a brake need some time of their own
IN_STROKE_S, PRESSED_S, BACK_S = 0.01, 1.0, 2.08  # behind the make: still moving on, held, on the way back
MOMENTS = {"mid-stroke": IN_STROKE_S, "pressed": PRESSED_S, "on the way back": BACK_S}


def happened(made: Bench, since_s: float, event: str, **facts: Any) -> float:
    """When it happened first since then."""
    found = [
        e for e in made.plant.truth()
        if e["at_s"] >= since_s and e["event"] == event and facts.items() <= e.items()
    ]  # fmt: skip
    assert found, f"{event} {facts} never happened"
    return float(found[0]["at_s"])


def assert_at_rest_and_off(made: Bench, since_s: float, within_s: float) -> None:
    """The load's contactor opened and the axis stands with its brake closed, in time; nothing moves or closes after."""
    opened_s = happened(made, since_s, "contactor", name="load", state="open")
    braked_s = happened(made, since_s, "contactor", name="brake", state="closed")
    assert max(opened_s, braked_s) - since_s <= within_s + RELAY_S
    assert not made.plant.bench.axis.moving
    moved = [e for e in made.plant.truth() if e["event"] == "move" and e["at_s"] > braked_s]
    closed = [
        e for e in made.plant.truth()
        if e["event"] == "contactor" and e["name"] == "load" and e["state"] == "closed" and e["at_s"] > opened_s
    ]  # fmt: skip
    assert not moved
    assert not closed


def aborting(made: Bench) -> Callable[[], None]:
    def abort() -> None:
        made.rehearsal.world.stop.because(Reason.ABORT_BY_PERSON, "asked for it", "the technician")

    return abort


@pytest.mark.parametrize("moment", MOMENTS)
def test_an_abort_in_a_cycle_brings_the_axis_to_rest_and_the_load_off_and_does_not_count_it(
    moment: str, tmp_path: Path
) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    asked_s: list[float] = []

    def abort() -> None:
        asked_s.append(made.rehearsal.virtual.now_s)
        aborting(made)()

    after_make(made, 7, MOMENTS[moment], abort)
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("inconc", Reason.ABORT_BY_PERSON)
    assert end.off_proven is True
    assert "benchward resume rehearsal-1-S-01" in end.sentence
    assert_at_rest_and_off(made, asked_s[0], DEADLINE_S)
    assert int(made.rows().cycle[-1]) == 6
    assert made.of("run_ended")[0]["uncertain_cycle"] == made.earlier().uncertain_cycle == 7
    assert verify(made.saved(), None).ok


def test_an_abort_between_two_blocks_leaves_nothing_uncertain(tmp_path: Path) -> None:
    made: Bench

    def at_the_touch_off(entry: dict[str, Any]) -> None:
        if entry["kind"] == "intent" and entry["part"] == "touch-off" and entry["shot"] == 10:
            aborting(made)()

    made = bench("weir_gate", tmp_path, SHORT, when=at_the_touch_off)
    end = made.rehearsal.perform()

    assert end.cause.reason is Reason.ABORT_BY_PERSON
    assert int(made.rows().cycle[-1]) == 10
    assert made.earlier().uncertain_cycle is None
    assert "uncertain_cycle" not in made.of("run_ended")[0]


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize(
    ("thing", "state", "reason"),
    [
        ("guard", "open", Reason.INTERLOCK_OPEN),
        ("smoke_detector", "smoke", Reason.INTERLOCK_OPEN),
        ("emergency_stop", "pressed", Reason.EMERGENCY_STOP),
    ],
)
def test_an_interlock_that_opens_in_a_cycle_ends_it_by_the_deadline(
    thing: str, state: str, reason: Reason, moment: str, tmp_path: Path
) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    opened_s: list[float] = []

    def open_it() -> None:
        opened_s.append(made.rehearsal.virtual.now_s)
        made.rehearsal.virtual.change(thing, state)

    after_make(made, 7, MOMENTS[moment], open_it)
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("inconc", reason)
    assert end.off_proven is True
    assert_at_rest_and_off(made, opened_s[0], DEADLINE_S)
    assert made.earlier().uncertain_cycle == 7


@pytest.mark.parametrize("pipe_closes", [True, False], ids=["killed", "frozen"])
@pytest.mark.parametrize("moment", MOMENTS)
def test_with_the_engine_dead_the_monitor_ends_a_cycle_whose_guard_opens(
    moment: str, pipe_closes: bool, tmp_path: Path
) -> None:
    made = bench("weir_gate", tmp_path, SHORT, coasts=False)
    harness = Harness(made.rehearsal)
    virtual = made.rehearsal.virtual
    opened_s: list[float] = []

    def open_it() -> None:
        opened_s.append(virtual.now_s)
        harness.strike_engine(pipe_closes)
        virtual.soon(lambda: virtual.change("guard", "open"))

    after_make(made, 7, MOMENTS[moment], open_it)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    harness.disarm()
    virtual.run_until(opened_s[0] + 5.0)

    assert_at_rest_and_off(made, opened_s[0], DEADLINE_S)
    assert int(made.rows().cycle[-1]) == 6


@pytest.mark.parametrize("pipe_closes", [True, False], ids=["killed", "frozen"])
def test_an_engine_that_dies_while_pressed_leaves_a_bench_that_is_off(
    pipe_closes: bool, tmp_path: Path
) -> None:
    """Nothing else happens: the monitor misses the renewals, or the pipe, and ends the cycle by itself."""
    made = bench("weir_gate", tmp_path, SHORT, coasts=False)
    harness = Harness(made.rehearsal)
    virtual = made.rehearsal.virtual
    struck_s: list[float] = []

    def strike() -> None:
        struck_s.append(virtual.now_s)
        harness.strike_engine(pipe_closes)

    after_make(made, 7, PRESSED_S, strike)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    harness.disarm()
    virtual.run_until(struck_s[0] + 5.0)

    assert_at_rest_and_off(made, struck_s[0], WATCHDOG_S + DEADLINE_S)


def test_engine_and_monitor_dead_leave_the_watchdog_which_cuts(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT, coasts=False)
    harness = Harness(made.rehearsal)
    virtual = made.rehearsal.virtual
    struck_s: list[float] = []

    def strike() -> None:
        struck_s.append(virtual.now_s)
        harness.strike_monitor(pipe_closes=False)
        harness.strike_engine(pipe_closes=False)

    after_make(made, 7, PRESSED_S, strike)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    harness.disarm()
    virtual.run_until(struck_s[0] + 5.0)

    assert_at_rest_and_off(made, struck_s[0], 2 * WATCHDOG_S)


def test_a_pause_holds_between_two_cycles_with_everything_off_and_the_run_goes_on(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    virtual, stop = made.rehearsal.virtual, made.rehearsal.world.stop
    seen: list[dict[str, Any]] = []

    def pause() -> None:
        stop.pause_asked_by = "the technician"
        after_make(made, 8, 0.0, lambda: None)

    def look_and_resume() -> None:
        seen.append(made.plant.show(virtual.now_s))
        stop.resumed_by, stop.pause_asked_by = "another technician", None

    after_make(made, 7, PRESSED_S, pause)
    after_make(made, 7, 600.0, look_and_resume)
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert seen[0]["contactors"] == {"load": "open", "check": "open", "brake": "closed"}
    assert seen[0]["lamp"] == "green"
    assert seen[0]["cycles"] == 7
    (paused,), (resumed,) = made.of("paused"), made.of("resumed")
    assert (paused["by"], resumed["by"]) == ("the technician", "another technician")
    assert [(one["first"], one["last"]) for one in made.of("segment")] == [(1, 7), (8, 10), (11, 20)]
    assert made.plant.bench.cycles == len(made.rows()) == 20


@pytest.mark.parametrize("seed", range(200 if FULL else 8))
def test_a_run_that_is_aborted_at_any_instants_and_gone_on_with_counts_truly(
    seed: int, tmp_path: Path
) -> None:
    """Two aborts somewhere in a run of some 200 s, measurements, reconcile lists and questions included."""
    chance = random.Random(seed)
    made = bench("weir_gate", tmp_path, SHORT)
    at_instant(made, chance.uniform(55.0, 200.0), aborting(made))
    end = made.rehearsal.perform()
    for stopped in range(2):
        if end.cause.reason is Reason.COUNT_REACHED:
            break
        assert end.cause.reason is Reason.ABORT_BY_PERSON
        assert end.off_proven is True
        if not made.of("cycles_started"):
            return  # before the first cycle: nothing to go on with
        made.after(60.0, {})
        if not stopped:
            now_s = made.rehearsal.virtual.now_s
            at_instant(made, now_s + chance.uniform(0.0, 150.0), aborting(made))
        end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("pass", Reason.COUNT_REACHED), end.sentence
    assert made.plant.bench.cycles - 20 in range(made.made_again + 1)
    assert made.plant.bench.axis.moves == sum(made.commanded.values())


def test_a_contact_that_welds_in_the_last_cycle_is_found_by_it(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT, {"specimen.welds_at_cycle": "20"})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("fail", Reason.SPECIMEN_FAILED)
    assert end.off_proven is True  # the load is cut by its contactor, whatever the specimen does
    assert made.plant.show(made.rehearsal.virtual.now_s)["contacts"] == ["closed"]
    assert made.plant.show(made.rehearsal.virtual.now_s)["source_v"] == 0.0


@pytest.mark.parametrize("device", ["gantry", "recorder"])
def test_a_device_that_falls_silent_in_a_cycle_ends_the_run_safe_and_is_named(
    device: str, tmp_path: Path
) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    virtual = made.rehearsal.virtual
    after_make(made, 7, PRESSED_S, lambda: virtual.change(f"{device}.link", "silent"))
    end = made.rehearsal.perform()

    assert end.cause.reason is (Reason.ACTUATOR_FAULT if device == "gantry" else Reason.INSTRUMENT_FAULT)
    assert device in end.sentence
    assert end.off_proven is True
    assert made.plant.show(virtual.now_s)["contactors"] == {
        "load": "open",
        "check": "open",
        "brake": "closed",
    }
    assert not made.plant.bench.axis.moving
    assert int(made.earlier().counts.confirmed[0]) == 6


def test_the_mains_of_the_bench_alone_end_the_run_and_a_person_goes_on_with_it(tmp_path: Path) -> None:
    """The computer has a supply of its own: it sees the bench go, says so, and makes nothing of it."""
    made = bench("weir_gate", tmp_path, SHORT, {"at_cycle": "7 mains=off"})
    end = made.rehearsal.perform()

    assert end.outcome in ("error", "inconc")
    assert int(made.earlier().counts.confirmed[0]) == 6
    assert "benchward resume" in end.sentence
    made.after(60.0, {"mains": "on"})
    end = made.rehearsal.perform()
    assert end.outcome == "pass"
    assert made.plant.bench.cycles in (20, 21)
