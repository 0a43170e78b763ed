"""The cyclic duty in depth: mounts, failure policies, discounted cycles, traces, trends, both motion dialects."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from orchestrator.core.reasons import Reason
from orchestrator.engine.room import ROOM_TIMES, cycle_bytes
from orchestrator.record.ledger import count
from orchestrator.record.verify import verify
from tests.run.endurance import Bench, after_make, bench

AFTER_BREAK_S = 2.15  # behind the make: on for 2 s, then a stroke
SHORT = {"cycles": "20", "checked_every": "10"}


def files(count: int, policy: str = "{rule: first}", **more: str) -> Callable[[str, str], str]:
    """Weir gate's files for so many specimens, with a failure policy and further changes of the sequence's text."""
    old_mounts, old_plant = "mounts: {count: 1, failure: {rule: first}}", "  mounts: 1\n"

    def change(name: str, text: str) -> str:
        if name == "sequence":
            text = _changed(text, old_mounts, f"mounts: {{count: {count}, failure: {policy}}}")
            for old, new in more.items():
                text = _changed(text, *_PARTS[old](new))
        if name == "plant":
            text = _changed(text, old_plant, f"  mounts: {count}\n")
            text = _changed(text, "source_ohm: 0.05", "source_ohm: 0.0005")  # as many loads at once need
        return text

    return change


_PARTS: dict[str, Callable[[str], tuple[str, str]]] = {
    "limit": lambda new: ("failure_policy: {limit: go on,", f"failure_policy: {{limit: {new},"),
    "traces": lambda new: ("traces: {first: 10, last: 20, every: 1000, around_anomaly: 5}", f"traces: {new}"),
}


def _changed(text: str, old: str, new: str) -> str:
    assert old in text, f"the shipped file no longer has: {old}"
    return text.replace(old, new)


def of_mounts(
    tmp_path: Path, number: int, plant: dict[str, str], policy: str = "{rule: first}", **more: str
) -> Bench:
    names = tuple(f"S-{place:02d}" for place in range(1, number + 1))
    return bench("weir_gate", tmp_path, SHORT, plant, change=files(number, policy, **more), specimens=names)


def verdicts(end: Any, mount: int) -> list[str]:
    return [row.verdict.value for row in end.rows if row.mount == mount]


def traced(made: Bench) -> list[int]:
    return sorted(entry["shot"] for entry in made.of("capture"))


@pytest.mark.parametrize("number", [2, 4, 64])
def test_one_mount_fails_and_the_others_go_on_to_the_count_each_with_its_own_verdicts(
    number: int, tmp_path: Path
) -> None:
    made = of_mounts(tmp_path, number, {"specimen.welds_at_cycle": "7 mount 2"})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("fail", Reason.COUNT_REACHED)
    assert f"1 of {number} mounts failed before" in end.sentence
    assert len(end.rows) == 5 * number
    assert verdicts(end, 2) == ["N/J", "F", "N/J", "N/J", "N/J"]
    for mount in {1, number} - {2}:
        assert verdicts(end, mount) == ["P"] * 5
    counted = count(made.rows())
    assert counted[1].confirmed == counted[number].confirmed + (number == 2) * 14 == 20
    assert (counted[2].confirmed, counted[2].malfunctions, counted[2].last) == (6, 1, 7)
    (stopped,) = made.of("mount_stopped")
    assert (stopped["mount"], stopped["specimen"], stopped["cycle"]) == (2, "S-02", 7)
    (ended,) = made.of("run_ended")
    outcomes = ended["mount_outcomes"]
    assert outcomes.pop("2") == "fail"
    assert set(outcomes.values()) == {"pass"}
    assert verify(made.saved(), None).ok


def test_with_limit_stop_the_first_failure_ends_the_run_for_all(tmp_path: Path) -> None:
    made = of_mounts(tmp_path, 4, {"specimen.fails_to_make_at": "7 mount 3"}, limit="stop")
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("fail", Reason.SPECIMEN_FAILED)
    assert "mount 3, specimen S-03: first malfunction at cycle 7" in end.sentence
    assert verdicts(end, 3) == ["F", "N/J", "N/J", "N/J", "N/J"]
    assert verdicts(end, 1) == ["N/J"] * 5
    assert made.of("run_ended")[0]["mount_outcomes"] == {
        "1": "inconc", "2": "inconc", "3": "fail", "4": "inconc"
    }  # fmt: skip
    assert int(made.rows().cycle[-1]) == 7


def test_the_run_ends_when_no_mount_is_left(tmp_path: Path) -> None:
    made = of_mounts(tmp_path, 2, {"specimen.fails_to_make_at": "5"})
    made.plant.bench.tricks.setdefault(9, []).append(lambda now_s: made.plant.bench.missed.add(1))
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("fail", Reason.SPECIMEN_FAILED)
    assert [entry["mount"] for entry in made.of("mount_stopped")] == [1, 2]
    rows = made.rows()
    assert {int(m): int(rows.cycle[rows.mount == m][-1]) for m in (1, 2)} == {1: 5, 2: 9}


@pytest.mark.parametrize(
    ("policy", "missed", "failed_at"),
    [
        ("{rule: first}", "6", 6),
        ("{rule: nth, times: 3}", "4,8,11", 11),
        ("{rule: nth, times: 3}", "4,8", None),
        ("{rule: consecutive, times: 2}", "4,6,8,9", 9),
        ("{rule: consecutive, times: 2}", "4,6,8,10", None),
    ],
)
def test_a_specimen_fails_by_its_policy(
    policy: str, missed: str, failed_at: int | None, tmp_path: Path
) -> None:
    made = bench("weir_gate", tmp_path, SHORT, {"specimen.fails_to_make_at": missed}, change=files(1, policy))
    end = made.rehearsal.perform()

    assert [entry["cycle"] for entry in made.of("mount_stopped")] == ([failed_at] if failed_at else [])
    assert end.cause.reason is (Reason.SPECIMEN_FAILED if failed_at else Reason.COUNT_REACHED)
    assert end.outcome == "fail"  # the sequence allows no fail to make, whatever the policy
    assert verdicts(end, 1)[0] == "F"
    counted = count(made.rows())[1]
    assert counted.malfunctions == len(missed.split(","))
    assert counted.confirmed + counted.malfunctions == (failed_at or 20)


def test_discounted_cycles_are_made_again_until_the_count_is_there(tmp_path: Path) -> None:
    """A dip and two records that were missed: each is shown, none is the specimen's, and none is missing."""
    made = bench("weir_gate", tmp_path, SHORT, {"supply.dips_at_cycle": "5:80 %"})
    for cycle in (8, 14):
        made.plant.bench.tricks.setdefault(cycle, []).append(
            lambda now_s: made.plant.set("recorder.misses_trigger", "next", now_s)
        )
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("pass", Reason.COUNT_REACHED)
    assert made.anomalies() == {"supply_dip": 1, "not_recorded": 2}
    assert count(made.rows())[1].confirmed == 20
    assert made.plant.bench.operations >= 23  # all made under voltage, counted or not
    assert not any(entry["counted"] for entry in made.of("anomaly"))


def test_a_recorder_that_misses_every_trigger_ends_the_run(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    made.plant.bench.tricks.setdefault(8, []).append(
        lambda now_s: made.plant.set("recorder.misses_trigger", "yes", now_s)
    )
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("inconc", Reason.CAPTURE_INVALID)
    assert "3 cycles in a row" in end.sentence
    assert made.anomalies() == {"not_recorded": 3}
    assert end.off_proven is True


@pytest.mark.parametrize("dialect", ["motion-words", "motion-lines"])
def test_both_motion_dialects_make_the_same_cycles(dialect: str, tmp_path: Path) -> None:
    def change(name: str, text: str) -> str:
        return text if name == "sequence" else _changed(text, "dialect: motion-words", f"dialect: {dialect}")

    made = bench("weir_gate", tmp_path, SHORT, change=change)
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert made.plant.bench.cycles == len(made.rows()) == 20
    assert made.plant.bench.axis.moves == sum(made.commanded.values())


def test_arming_does_not_lapse_while_cycles_run(tmp_path: Path) -> None:
    """Two hours of cycles between two intermediate measurements, armed for half an hour at a time."""
    made = bench("weir_gate", tmp_path, {"cycles": "1600", "checked_every": "1500"})
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert len([entry for entry in made.of("arming") if entry["granted"]]) == 1


def test_a_bench_without_cycles_for_too_long_is_armed_again(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    made.rehearsal.technician.hand_s = (2000.0, 2001.0)
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert len([entry for entry in made.of("arming") if entry["granted"]]) > 1


def test_a_trend_is_warned_of_once_and_stops_nothing(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, {"cycles": "600", "checked_every": "300"}, {"specimen.drop": "x2.5"})
    end = made.rehearsal.perform()

    (warned,) = made.of("trend_warning")
    assert (warned["result"], warned["cycle"], warned["mount"]) == ("contact_drop", 200, 1)
    assert warned["median"] > 0.12
    assert end.cause.reason is Reason.COUNT_REACHED


def test_the_waveforms_that_the_policy_names_are_in_the_record(tmp_path: Path) -> None:
    """First 3, last 4, every 15th, and the anomaly of cycle 24 with two neighbours on either side."""
    made = bench(
        "weir_gate",
        tmp_path,
        {"cycles": "60", "checked_every": "20"},
        {"specimen.fails_to_make_at": "24"},
        change=files(1, "{rule: nth, times: 5}", traces="{first: 3, last: 4, every: 15, around_anomaly: 2}"),
    )
    made.rehearsal.perform()

    assert traced(made) == [1, 2, 3, 15, 22, 23, 24, 25, 26, 30, 45, 57, 58, 59, 60]
    assert verify(made.saved(), None).ok


def test_the_last_waveforms_are_kept_whatever_ends_the_run(tmp_path: Path) -> None:
    made = bench(
        "weir_gate",
        tmp_path,
        SHORT,
        {"at_cycle": "17 guard=open"},
        change=files(1, traces="{first: 2, last: 3, every: 1000, around_anomaly: 1}"),
    )
    made.rehearsal.perform()

    assert traced(made) == [1, 2, 14, 15, 16]


def test_a_disk_that_is_almost_full_stops_before_the_next_cycle_with_nothing_uncertain(
    tmp_path: Path,
) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    store = made.rehearsal.store

    def fill(now_s: float) -> None:
        store.capacity_bytes = 10**9
        store.capacity_bytes -= store.free_bytes() - ROOM_TIMES * cycle_bytes(1)

    made.plant.bench.tricks.setdefault(12, []).append(fill)
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.STORAGE_FAULT)
    assert end.off_proven is True
    assert end.sealed
    assert int(made.rows().cycle[-1]) == made.plant.bench.cycles
    assert not made.of("uncertain_cycle")
    assert "benchward resume" in end.sentence


def test_records_of_many_mounts_hold_each_mounts_own_figures(tmp_path: Path) -> None:
    made = of_mounts(tmp_path, 4, {})
    made.rehearsal.perform()
    rows = made.rows()

    bounces = [rows.figures["bounce_time"][rows.mount == mount] for mount in range(1, 5)]
    assert all(len(own) == 20 and np.isfinite(own).all() for own in bounces)
    assert not np.array_equal(bounces[0], bounces[1])


def test_a_lead_that_came_off_one_load_spoils_the_check_of_the_drop_and_is_named(tmp_path: Path) -> None:
    """Nearly no current through a good contact would be a drop that is too good."""
    made = of_mounts(tmp_path, 3, {})
    after_make(made, 10, AFTER_BREAK_S, lambda: made.plant.bench.electrics.burn(1, 1))
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.SUPPLY_FAULT)
    assert "the load of mount 2 takes" in end.sentence
    assert not [entry for entry in made.of("measurement") if entry["shot"] == 10]


def test_a_contact_that_is_open_at_the_check_of_the_drop_is_the_specimens_and_not_the_loads(
    tmp_path: Path,
) -> None:
    made = bench("weir_gate", tmp_path, SHORT)

    def die() -> None:
        specimens = made.plant.bench.specimens
        specimens.dead[0], specimens.all_well = True, False

    after_make(made, 10, AFTER_BREAK_S, die)
    end = made.rehearsal.perform()

    assert end.outcome == "fail"
    assert [row.verdict for row in end.rows if row.requirement.result == "checked_drop"] == ["F"]


def test_a_specimen_that_moved_in_its_fixture_is_found_by_the_next_touch_off(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    gantry = made.plant.gantry
    felt = gantry._force_n

    def move_it() -> None:
        gantry._force_n = lambda mm: felt(mm + 0.5)

    after_make(made, 7, AFTER_BREAK_S, move_it)
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.ACTUATOR_FAULT)
    assert "the touch-off is not the datum's: it touches" in end.sentence
    assert int(made.rows().cycle[-1]) == 10
    assert made.of("touch_off")[-1]["datum"] == "compare"
