"""Bench files: what the interlock monitor gets, and what the checker knows of them."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from sequences import tree
from sequences.bench import Bench, Digitiser
from sequences.checker import check_bench
from sequences.loader import load_bench

ROOT = Path(__file__).parents[2]
TIDEWATER = ROOT / "sequences/library/tidewater/bench.yaml"


@pytest.fixture(scope="module")
def bench() -> Bench:
    loaded = load_bench(TIDEWATER)
    assert loaded.bench is not None
    return loaded.bench


def test_the_monitor_gets_plain_data_in_si_units(bench: Bench) -> None:
    rules = bench.monitor_rules()

    assert json.loads(json.dumps(rules)) == rules
    assert (rules["poll_s"], rules["fresh_s"], rules["agree_s"]) == (0.005, 0.25, 0.5)
    assert rules["watchdog"] == {"register": 0, "time_s": 0.5}
    assert (rules["touch_safe_v"], rules["discharge_s"]) == (50.0, 5.0)
    assert rules["inputs"][0] == {"name": "door", "channels": [0, 1], "prove_within_s": 43200.0}
    assert rules["feedback"]["high_voltage_open"] == 6
    assert rules["voltages"] == {
        "store": {"register": 0, "scale": 1.0},
        "terminals": {"register": 1, "scale": 0.1},
    }
    assert rules["ambient"]["temperature"] == {"register": 2, "scale": 0.1, "unit": "degC"}
    assert rules["signals"] == {"red": 4, "green": 5, "horn": 6}
    assert rules["lifted"]["earth"] == {"coil": 2, "closed_feedback": "earth_closed"}
    assert rules["outputs"][0] == {
        "name": "high_voltage",
        "coil": 0,
        "off_feedback": "high_voltage_open",
        "lifts": ["discharge", "earth"],
        "stop_category": 0,
        "deadline_s": 0.0,
        "warning_s": 2.0,
    }


def test_full_scales_are_at_the_specimen(bench: Bench) -> None:
    recorder = bench.equipment["recorder"]
    assert isinstance(recorder, Digitiser)

    assert recorder.channels["voltage"].full_scales() == (400.0, 1000.0, 2500.0, 5000.0)
    assert recorder.channels["current"].full_scales() == (100.0, 200.0, 400.0, 1000.0, 2000.0)


def test_an_address_has_to_be_written(bench: Bench) -> None:
    """`register` is also the name of a method that every model has; it must not be taken for the value."""
    loaded = load_bench(
        tree.from_text(TIDEWATER.read_text().replace("{register: 0, time: 500 ms}", "{time: 500 ms}"))
    )

    assert [finding.code for finding in loaded.findings] == ["missing-key"]
    assert bench.safety_io.watchdog.register == 0


def test_calibration_is_compared_with_the_day_that_is_given() -> None:
    loaded = load_bench(TIDEWATER)

    assert check_bench(loaded, today=date(2027, 7, 31)) == []
    assert [f.code for f in check_bench(loaded, today=date(2027, 8, 1))] == ["calibration-lapsed"]
    assert all(f.severity == "warning" for f in check_bench(loaded, today=date(2030, 1, 1)))


def test_dialects_are_compared_with_the_names_that_are_given() -> None:
    found = check_bench(
        load_bench(TIDEWATER), {"impulse-source": "impulse source", "leakage-meter": "leakage meter"}
    )

    assert [(f.code, f.excerpt.strip()) for f in found] == [
        ("unknown-dialect", "dialect: digitiser-status-bit"),
        ("unknown-dialect", "dialect: digitiser-sample-count"),
    ]
