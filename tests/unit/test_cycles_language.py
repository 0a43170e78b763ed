"""A duty of cycles in the language: what is read, what belongs to which duty, and the arithmetic of the check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.steps import KINDS
from sequences import tree
from sequences.bench import Actuator, ContactRecorder, Load
from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES
from sequences.check_motion import stroke_s
from sequences.checker import check, check_bench, check_bounds
from sequences.duties import Cycles, cycles_of, declared_count, shots_of
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from sequences.model import PARTS, CycleDuty, ShotDuty

LIBRARY = Path(__file__).parents[2] / "sequences/library"
GOLDEN = Path(__file__).parents[1] / "golden/sequences"
GOOD = (GOLDEN / "good_cycles.yaml").read_text()
BENCH = (GOLDEN / "cycles_bench.yaml").read_text()
ENDURANCE = ("weir_gate", "lantern_row")


def edited(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def load(text: str = GOOD, **given_values: str) -> Loaded:
    return load_sequence(tree.from_text(text), KINDS, given_values)


def bench(text: str = BENCH) -> LoadedBench:
    return load_bench(tree.from_text(text))


def codes(text: str = GOOD, bench_text: str = BENCH) -> list[str]:
    loaded, on = load(text), bench(bench_text)
    return [one.code for one in (*loaded.findings, *check(loaded, on), *on.findings, *check_bench(on))]


def shipped(name: str) -> Cycles:
    sequence = load_sequence(LIBRARY / name / "sequence.yaml", KINDS).sequence
    cycles = cycles_of(sequence) if sequence else None
    assert cycles is not None
    return cycles


# --------------------------------------------------------------------------- what is read


def test_a_duty_of_cycles_is_plain_si_numbers_under_the_files_own_keys() -> None:
    cycles = shipped("weir_gate")

    assert (cycles.duty.cycles, cycles.duty.rate, cycles.duty.on_time) == pytest.approx((44000, 0.2, 2.0))
    assert (cycles.each.off, cycles.each.on, cycles.each.speed) == ("rest", "pressed", 0.12)
    assert (cycles.each.current.low, cycles.each.current.high) == pytest.approx((3.24, 3.96))
    assert (cycles.mounts.count, cycles.mounts.failure.rule, cycles.mounts.failure.times) == (
        1,
        "first",
        None,
    )
    assert (cycles.each.traces.first, cycles.each.traces.every) == (10, 1000)


def test_a_bench_of_the_second_kind_is_plain_si_numbers_too() -> None:
    read = load_bench(LIBRARY / "lantern_row/bench.yaml").bench
    assert read is not None
    gantry, load_, recorder = (read.equipment[name] for name in ("gantry", "load", "recorder"))
    assert isinstance(gantry, Actuator) and isinstance(load_, Load) and isinstance(recorder, ContactRecorder)

    assert (gantry.acceleration, gantry.positions["pressed"]) == (4.0, -0.012)
    assert (load_.kind, load_.banks, load_.frequency) == ("tungsten", 4, 50.0)
    assert (recorder.make_record_s(), recorder.break_record_s()) == (0.028, 0.016)
    assert (read.load_output(), read.check_output()) == ("load", "check")


def test_intermediate_measurements_are_a_part_like_the_others() -> None:
    sequence = load().sequence
    assert sequence is not None

    assert tuple(sequence.parts()) == PARTS
    assert [step.kind for step in sequence.parts()["intermediate_measurements"]] == [
        "check_contact",
        "temperature",
    ]
    assert sequence.results().keys() == {*CYCLE_FIGURES, *CYCLE_COUNTS, "force", "drop", "rise"}


def test_a_count_is_limited_by_a_plain_number_or_by_a_parameter_that_is_one() -> None:
    sequence = load(edited(GOOD, ("at_most: 0}", "at_most: cycles}"))).sequence
    assert sequence is not None and sequence.requirements[0].at_most is not None
    limit = sequence.requirements[0].at_most

    assert (float(limit), limit.unit, limit.text) == (1000.0, "", "1000")
    assert codes(edited(GOOD, ("at_most: 9 ms", "at_most: cycles"))) == ["missing-unit"]


# --------------------------------------------------------------------------- which duty


def test_the_key_that_is_there_says_which_duty_it_is() -> None:
    of_cycles, of_shots = load().sequence, load((GOLDEN / "good.yaml").read_text()).sequence
    assert of_cycles and of_shots

    assert isinstance(of_cycles.duty, CycleDuty) and isinstance(of_shots.duty, ShotDuty)
    assert shots_of(of_cycles) is None and cycles_of(of_shots) is None
    assert (declared_count(of_cycles), declared_count(of_shots)) == (1000, 12)
    shots = shots_of(of_shots)
    assert shots is not None and shots.steps == of_shots.each_shot and shots.invalid == of_shots.invalid_shot


@pytest.mark.parametrize("other", ["verification", "each_shot", "invalid_shot"])
def test_a_key_of_shots_does_not_belong_to_cycles(other: str) -> None:
    text = (GOLDEN / "good.yaml").read_text()
    part = text[text.index(f"\n{other}:") + 1 :]
    lines = part.splitlines(keepends=True)
    end = next(i for i, line in enumerate(lines[1:], 1) if not line.startswith((" ", "-")))
    loaded = load(GOOD + "".join(lines[:end]).replace(" interval: interval", " interval: 45 s"))

    assert "other-duty" in [one.code for one in loaded.findings]
    assert loaded.sequence is None


@pytest.mark.parametrize(
    "shape", ["{cycles: 10}", "{shots: 10}", "{rate: 8 1/min}", "{}", "often", "{cycle: 9}"]
)
def test_half_a_duty_is_refused_and_never_guessed(shape: str) -> None:
    start, end = GOOD.index("duty:\n"), GOOD.index("each_cycle:\n")
    loaded = load(f"{GOOD[:start]}duty: {shape}\n{GOOD[end:]}")

    assert loaded.sequence is None
    assert {one.code for one in loaded.findings} <= {
        "missing-key",
        "other-duty",
        "parameter-unused",
        "unknown-key",
        "wrong-shape",
    }
    assert any(one.severity == "refused" for one in loaded.findings)


# --------------------------------------------------------------------------- bounds of what may be set


@pytest.mark.parametrize("name", ENDURANCE)
def test_every_value_that_a_technician_may_give_can_be_run(name: str) -> None:
    loaded, on = (
        load_sequence(LIBRARY / name / "sequence.yaml", KINDS),
        load_bench(LIBRARY / name / "bench.yaml"),
    )

    assert check_bounds(loaded, KINDS, on) == []


def test_fewer_cycles_than_the_measurements_are_apart_are_refused() -> None:
    loaded = load(edited(GOOD, ("lowest: 500", "lowest: 50")), cycles="60")

    assert [one.code for one in check(loaded) if one.severity == "refused"] == ["intermediate-never"]


# --------------------------------------------------------------------------- arithmetic


@given(st.floats(1e-4, 1.0), st.floats(1e-3, 1.0), st.floats(0.1, 20.0))
def test_a_stroke_takes_as_long_as_a_motion_that_is_stepped_through(
    travel_m: float, speed: float, acceleration: float
) -> None:
    """Against an integration in small steps: accelerate, hold the speed, decelerate so as to stop at the end."""
    took_s = stroke_s(travel_m, speed, acceleration)
    times_s = np.linspace(0.0, took_s, 4001)
    velocity = np.minimum.reduce(
        [acceleration * times_s, np.full_like(times_s, speed), acceleration * (took_s - times_s)]
    )

    assert np.trapezoid(velocity, times_s) == pytest.approx(travel_m, rel=1e-3)


@pytest.mark.parametrize(("rate", "said"), [("25.4 1/min", []), ("25.6 1/min", ["rate-not-reached"])])
def test_a_rate_that_just_fits_is_taken_and_the_next_is_not(rate: str, said: list[str]) -> None:
    text = edited(GOOD, ("rate: 8 1/min", f"rate: {rate}"), ("  bank_off_at_least: 20 s\n", ""))

    assert codes(text) == said


def test_the_rate_that_is_proposed_is_taken() -> None:
    too_fast = edited(GOOD, ("rate: 8 1/min", "rate: 40 1/min"), ("  bank_off_at_least: 20 s\n", ""))
    (finding,) = check(load(too_fast), bench())
    proposed = finding.help.removeprefix("write ").split(" 1/min")[0]

    assert codes(edited(too_fast, ("rate: 40 1/min", f"rate: {proposed} 1/min"))) == []


@pytest.mark.parametrize(("banks", "said"), [("4", ["bank-off-too-short"]), ("5", [])])
def test_the_banks_that_are_proposed_are_enough(banks: str, said: list[str]) -> None:
    text = edited(GOOD, ("rate: 8 1/min", "rate: 12 1/min"), ("banks: 4", f"banks: {banks}"))
    on = edited(BENCH, ("banks: 4 ", f"banks: {banks} "))

    assert codes(text, on) == said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ([("range: 40 A", "range: 19 A")], ["would-clip"]),  # 0.9 A, 15 times, at its crest: 19.1 A
        ([("range: 40 A", "range: 20 A")], []),
        ([("range: 200 V", "range: 150 V")], ["would-clip"]),  # 110 V at its crest: 155.6 V
        ([("range: 200 V", "range: 160 V")], []),
        ([("break_pre: 80", "break_pre: 101")], ["record-too-short"]),  # 9.9 ms: an arc may burn for 10 ms
        ([("break_pre: 80", "break_pre: 99")], []),
    ],
)
def test_the_recorder_holds_the_inrush_and_the_supply_at_their_crests_and_the_longest_arc(
    changes: list[tuple[str, str]], said: list[str]
) -> None:
    assert codes(GOOD, edited(BENCH, *changes)) == said


@pytest.mark.parametrize(("judged", "is_good"), [("change first to last", True), ("every shot", False)])
def test_what_is_measured_before_and_after_has_a_change(judged: str, is_good: bool) -> None:
    once = edited(
        GOOD,
        ("    - check_contact: {result: drop, after: 1 s}\n    - temp", "    - temp"),
        ("attended:", "final_measurements:\n  - check_contact: {result: drop, after: 1 s}\nattended:"),
        (
            "result: drop, judged: every measurement, at_most: 250 mV",
            f"result: drop, judged: {judged}, at_most: 20 %",
        ),
    )

    assert ("judged-impossible" not in codes(once)) is is_good


def test_every_step_that_moves_or_energises_works_through_an_output_of_the_bench() -> None:
    sequence, on = load().sequence, bench().bench
    assert sequence and on
    steps = [step for part in sequence.parts().values() for step in part]

    assert [(step.kind, step.opens_block, step.opens_output(on)) for step in steps] == [
        ("touch_off", True, "check"),
        ("dry_run", True, "check"),
        ("check_contact", True, "load"),
        ("check_contact", True, "load"),
        ("temperature", False, None),
    ]
