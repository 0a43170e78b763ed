"""The table of causes: no load, supply or actuator cause is ever the specimen's, and the specimen's are found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.analysis.contact import FIGURES, FLAGS, CycleFigures, cycle_figures
from orchestrator.analysis.diagnosis import (
    CODE,
    FINDINGS,
    IS_MALFUNCTION,
    MALFUNCTIONS,
    ORDER,
    Expected,
    Recurrence,
    Seen,
    diagnose,
    recurrence,
)
from tests.studies.confusion import blamed, confusion, in_words, right
from tests.studies.cycle_records import CAUSES, GATE, LANTERN, Bench, drawn_cycle, record, seen_of

NOT_THE_SPECIMENS = (
    "load_open",
    "load_partial",
    "supply_lost",
    "supply_dip",
    "actuator",
    "not_recorded",
    "ok",
)
CALM = settings(max_examples=150, deadline=None)
EXPECTED = Expected(24.0, 3.24, 3.96, 1.0)


def figures(**changed: float | bool) -> CycleFigures:
    """One mount's figures of a good cycle, some of them changed."""
    values: dict[str, float | bool | int] = {
        "make_time_s": 2e-3,
        "bounce_time_s": 1e-3,
        "bounce_count": 1,
        "inrush_a": 15.0,
        "steady_a": 3.6,
        "drop_v": 0.08,
        "break_time_s": 2e-3,
        "arcing_s": 1e-3,
        "open_before": True,
        "flowing_before": False,
        "made": True,
        "parted": True,
        "broke": True,
        "flowing_after": False,
    }
    values |= changed
    rows = [[values.pop(name)] for name in FIGURES]
    flags = [[values.pop(name)] for name in FLAGS]
    assert not values
    return CycleFigures(np.array(rows, dtype=np.float64), np.array(flags, dtype=np.bool_))


def finding(of: CycleFigures, expected: Expected = EXPECTED, **seen: float | bool) -> str:
    usual = {"supply_before_v": 24.0, "supply_on_v": 23.9, "load_on_v": 23.8, "supply_after_v": 24.0}
    return FINDINGS[int(diagnose(of, Seen(**(usual | seen)), expected)[0])]  # type: ignore[arg-type]


WELD = {"parted": False, "broke": False, "flowing_after": True}
OFF = {"made": False, "steady_a": 0.001, "drop_v": 23.9}
NO_LOAD = {"steady_a": 0.001, "drop_v": 0.001}


@pytest.mark.parametrize(
    ("of", "seen", "expected"),
    [
        ({}, {}, "ok"),
        (NO_LOAD, {}, "load_open"),
        ({"steady_a": 1.8, "drop_v": 0.04}, {}, "load_partial"),
        (OFF, {"load_on_v": 0.01}, "fail_to_make"),
        ({"steady_a": 1.8, "drop_v": 12.0, "made": False}, {"load_on_v": 12.0}, "high_resistance"),
        ({"drop_v": 1.4}, {"load_on_v": 22.4}, "high_resistance"),
        (WELD, {}, "fail_to_break"),
        ({"open_before": False, "flowing_before": True}, {}, "fail_to_break"),
        (
            {"steady_a": 0.0, "drop_v": 0.0},
            {"supply_on_v": 0.0, "load_on_v": 0.0, "supply_after_v": 0.0},
            "supply_lost",
        ),
        ({"steady_a": 3.1}, {"supply_on_v": 20.6, "load_on_v": 20.5}, "supply_dip"),
        (OFF, {"load_on_v": 0.0, "position_ok": False}, "actuator"),
        ({}, {"recorded": False}, "not_recorded"),
    ],
)
def test_each_row_of_the_table(of: dict[str, float], seen: dict[str, float], expected: str) -> None:
    assert finding(figures(**of), **seen) == expected


@pytest.mark.parametrize(
    ("why", "of", "seen", "expected"),
    [
        ("a current that flows when it must not is the contact's, even in a dip", WELD, {"supply_after_v": 20.0},
         "fail_to_break"),
        ("a drive that did not come back keeps the contact closed", WELD, {"position_ok": False}, "actuator"),
        ("a contact that does not conduct in a dip is not judged", OFF,
         {"supply_on_v": 20.0, "load_on_v": 0.0}, "supply_dip"),
        ("a shorted load raises a good contact's drop with its current", {"steady_a": 40.0, "drop_v": 1.4}, {},
         "load_partial"),
        ("voltages that do not add up are a lead", NO_LOAD, {"load_on_v": 0.0}, "not_recorded"),
        ("a weld counts though a lead is off", WELD, {"load_on_v": 0.0}, "fail_to_break"),
        ("an arc longer than the record is not yet a weld", {"broke": False, "flowing_after": True}, {},
         "not_recorded"),
        ("a make later than the record", {"made": False, "make_time_s": np.nan}, {}, "not_recorded"),
        ("current falls with the supply", {"steady_a": 3.1}, {"supply_on_v": 22.0, "load_on_v": 21.9}, "ok"),
        ("no load seen at a contact that floats", NO_LOAD | {"open_before": False, "parted": False,
         "broke": False}, {}, "load_open"),
        ("a missing figure", {"steady_a": np.nan}, {}, "not_recorded"),
    ],
)  # fmt: skip
def test_what_goes_before_what(why: str, of: dict[str, float], seen: dict[str, float], expected: str) -> None:
    assert finding(figures(**of), **seen) == expected, why


def test_every_finding_has_its_place() -> None:
    assert {name for _, name in ORDER} | {"ok"} == set(FINDINGS)
    assert set(MALFUNCTIONS) | set(NOT_THE_SPECIMENS) == set(FINDINGS)
    codes = np.arange(len(FINDINGS), dtype=np.uint8)
    assert [FINDINGS[code] for code in codes[IS_MALFUNCTION[codes]]] == list(MALFUNCTIONS)


def diagnosed(bench: Bench, label: str, seed: int) -> str:
    drawn = np.random.default_rng(seed)
    cycle = drawn_cycle(bench, label, drawn)
    volts, amperes = (side[None] for side in record(bench, cycle, drawn))
    found = cycle_figures(volts, amperes, bench.layout, bench.criteria)
    return FINDINGS[int(diagnose(found, seen_of(bench, [cycle]), bench.expected)[0])]


@CALM
@given(st.sampled_from([GATE, LANTERN]), st.sampled_from(NOT_THE_SPECIMENS), st.integers(0, 2**32))
def test_no_cause_outside_the_specimen_is_counted_on_it(bench: Bench, label: str, seed: int) -> None:
    assert diagnosed(bench, label, seed) not in MALFUNCTIONS


@CALM
@given(st.sampled_from([GATE, LANTERN]), st.sampled_from(MALFUNCTIONS), st.integers(0, 2**32))
def test_what_the_specimen_does_is_counted_on_it(bench: Bench, label: str, seed: int) -> None:
    assert diagnosed(bench, label, seed) == label


@CALM
@given(
    st.floats(0.0, 1.3), st.floats(0.0, 1.3), st.floats(0.0, 1.3), st.floats(0.0, 5.0), st.booleans(),
    st.booleans(), st.booleans(),
)  # fmt: skip
def test_a_good_contact_is_never_blamed(
    before: float, on: float, after: float, load: float, position_ok: bool, recorded: bool, tap: bool
) -> None:
    """Any supply, any load, any drive: a contact of 20 mohm that opens and closes as it is moved."""
    ohm, supply_on_v = 0.02, 24.0 * on
    amperes = supply_on_v / (ohm + 24.0 / 3.6 / max(load, 1e-9))
    opens = position_ok or not recorded
    good = figures(
        steady_a=amperes,
        drop_v=amperes * ohm,
        inrush_a=amperes,
        open_before=24.0 * before > 8.0,
        parted=opens and 24.0 * after > 8.0,
        broke=opens and 24.0 * after > 8.0,
        flowing_after=not opens and amperes > 0.2,
    )
    load_v = (supply_on_v - amperes * ohm) * tap
    name = finding(
        good, supply_before_v=24.0 * before, supply_on_v=supply_on_v, load_on_v=load_v,
        supply_after_v=24.0 * after, position_ok=position_ok, recorded=recorded,
    )  # fmt: skip
    assert name not in MALFUNCTIONS


def test_one_number_for_all_mounts_or_one_for_each() -> None:
    drawn = np.random.default_rng(1)
    labels = list(CAUSES)
    cycles = [drawn_cycle(GATE, label, drawn) for label in labels]
    volts, amperes = (np.stack(s) for s in zip(*(record(GATE, c, drawn) for c in cycles), strict=True))
    found = cycle_figures(volts, amperes, GATE.layout, GATE.criteria)

    each = diagnose(found, seen_of(GATE, cycles), GATE.expected)
    assert [FINDINGS[code] for code in each] == labels
    assert each.dtype == np.uint8
    for_all = diagnose(found, Seen(24.0, 24.0, 23.9, 24.0), GATE.expected)
    assert for_all[CODE["ok"]] == CODE["ok"] and for_all.shape == each.shape


def test_the_confusion_matrix_of_a_thousand_anomalies() -> None:
    """The study in small: `python -m tests.studies.confusion` draws five thousand."""
    counts = confusion(1000, seed=3)

    assert counts.sum() == 1000 and (counts.sum(axis=1) > 50).all()
    assert right(counts) >= 0.99 and blamed(counts) == 0
    assert "specimen blamed wrongly 0 times" in in_words(counts)


@pytest.mark.parametrize(
    ("cycles", "banks", "expected"),
    [
        ([7203, 7207, 7211], 4, Recurrence(4, 3)),
        ([7207, 7203, 7211, 7203], 4, Recurrence(4, 3)),
        ([9911, 12_001, 12_005, 12_009], 4, Recurrence(4, 1)),
        ([7204, 7208], 4, None),
        ([15_002, 15_003, 15_004], 4, None),
        ([7203, 7207, 7215], 4, None),
        ([7203, 7207, 7209, 7211], 4, None),
        ([1, 2, 3], 1, None),
        ([], 4, None),
    ],
)
def test_recurrence_tells_lamp_from_contact(
    cycles: list[int], banks: int, expected: Recurrence | None
) -> None:
    assert recurrence(cycles, banks) == expected


@CALM
@given(st.integers(2, 8), st.data())
def test_a_burnt_bank_is_found_wherever_it_begins(banks: int, data: st.DataObject) -> None:
    bank, turn = data.draw(st.integers(1, banks)), data.draw(st.integers(0, 10_000))
    cycles = [banks * (turn + k) + bank for k in range(3)]

    assert recurrence(cycles, banks) == Recurrence(banks, bank)
