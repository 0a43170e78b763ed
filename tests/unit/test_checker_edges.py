"""Values exactly at a limit are allowed; a little beyond it they are not. Both sides of every comparison."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.steps import KINDS
from sequences import tree
from sequences.checker import check, check_bench
from sequences.loader import load_bench, load_sequence

FOLDER = Path(__file__).parents[1] / "golden/sequences"
GOOD = (FOLDER / "good.yaml").read_text()
BENCH = (FOLDER / "bench.yaml").read_text()
CHARGE = "      charging_voltage: 1.7 kV +-2 %"  # up to 1.734 kV


def codes(*edits: tuple[str, str]) -> set[str]:
    """Finding codes after edits of the good sequence or, where the text stands there alone, of the good bench file."""
    text, bench_text = GOOD, BENCH
    for old, new in edits:
        assert old in text or old in bench_text, old
        text, bench_text = (
            (text.replace(old, new, 1), bench_text)
            if old in text
            else (text, bench_text.replace(old, new, 1))
        )
    loaded, bench = load_sequence(tree.from_text(text), KINDS), load_bench(tree.from_text(bench_text))
    found = [*loaded.findings, *bench.findings, *check(loaded, bench), *check_bench(bench)]
    return {finding.code for finding in found}


# what is edited, with a value at the limit and one beyond it, and the code of the latter
EDGES = [
    (
        "specimen",
        "highest_impulse: 2 kV",
        "highest_impulse: 1.734 kV",
        "highest_impulse: 1.733 kV",
        "above-specimen-rating",
    ),
    (
        "own source",
        "charging_voltage: 1.8 kV}",
        "charging_voltage: 1.734 kV}",
        "charging_voltage: 1.733 kV}",
        "above-own-equipment",
    ),
    (
        "bench source",
        "{lowest: 0.2 kV, highest: 2 kV}",
        "{lowest: 0.2 kV, highest: 1.8 kV}",
        "{lowest: 0.2 kV, highest: 1.79 kV}",
        "above-bench-rating",
    ),
    (
        "lowest charge",
        CHARGE,
        "      charging_voltage: 200 V +-2 %",
        "      charging_voltage: 199 V +-2 %",
        "below-bench-rating",
    ),
    (
        "output",
        "voltage: 60 V, after: 1 s",
        "voltage: 100 V, after: 1 s",
        "voltage: 101 V, after: 1 s",
        "above-bench-rating",
    ),
    (
        "meter",
        "meter, highest: 1 mA",
        "meter, highest: 2 mA",
        "meter, highest: 2.1 mA",
        "above-instrument-rating",
    ),
    ("limit of the meter", "at_most: 220 uA", "at_most: 1 mA", "at_most: 1.01 mA", "above-instrument-rating"),
    ("limit of the range", "at_most: 310 V", "at_most: 2.5 kV", "at_most: 2.51 kV", "would-clip"),
    ("observation", "time: 30 s}", "time: 2 s}", "time: 1.99 s}", "observation-too-short"),
    ("shots till lapse", "shots: 60}", "shots: 18}", "shots: 17}", "verification-never-valid"),
    ("time till lapse", "{time: 8 h,", "{time: 495 s,", "{time: 494 s,", "verification-never-valid"),
    (
        "samples over the front",
        "sample_rate: 100 MHz",
        "sample_rate: 41.7 MHz",
        "sample_rate: 41.6 MHz",
        "undersampled",
    ),
    ("length of the record", "samples: 10000", "samples: 6667", "samples: 6660", "record-too-short"),
    (
        "interval",
        "interval: interval, polarity",
        "interval: 4 s, polarity",
        "interval: 3.9 s, polarity",
        "interval-under-recharge",
    ),
    (
        "what is asked of the source",
        "charging_voltage: 1.8 kV}",
        "charging_voltage: 2 kV}",
        "charging_voltage: 2.01 kV}",
        "above-bench-rating",
    ),
    (
        "lower end of the range",
        "{expected_peak: 290 V}",
        "{expected_peak: 80 V}",
        "{expected_peak: 79 V}",
        "range-poor",
    ),
    (
        "largest range",
        "{expected_peak: 700 A}",
        "{expected_peak: 1.6 kA}",
        "{expected_peak: 1.61 kA}",
        "range-poor",
    ),
    (
        "end of the range",
        "{expected_peak: 700 A}",
        "{expected_peak: 1.6 kA}",
        "{expected_peak: 2.01 kA}",
        "would-clip",
    ),
    (
        "both limits",
        "at_most: 310 V",
        "at_least: 310 V, at_most: 310 V",
        "at_least: 311 V, at_most: 310 V",
        "limits-crossed",
    ),
    (
        "lowest parameter",
        "{usual: 45 s, lowest: 5 s",
        "{usual: 45 s, lowest: 45 s",
        "{usual: 45 s, lowest: 46 s",
        "parameter-bounds",
    ),
    (
        "impedance of the bench",
        "effective_impedance: 2 ohm\n",
        "effective_impedance: 2.2 ohm\n",
        "effective_impedance: 2.21 ohm\n",
        "verification-never-valid",
    ),
    ("poll", "fresh_within: 250 ms", "fresh_within: 5.1 ms", "fresh_within: 5 ms", "times-disagree"),
    (
        "watchdog",
        "watchdog: {register: 0, time: 500 ms}",
        "watchdog: {register: 0, time: 6 ms}",
        "watchdog: {register: 0, time: 4 ms}",
        "times-disagree",
    ),
    (
        "output of the source",
        "warning: 2 s, highest: 2 kV",
        "warning: 2 s, highest: 2.0 kV",
        "warning: 2 s, highest: 1.9 kV",
        "ratings-disagree",
    ),
]


@pytest.mark.parametrize(
    ("old", "at", "beyond", "code"), [edge[1:] for edge in EDGES], ids=[edge[0] for edge in EDGES]
)
def test_at_the_limit_is_allowed_and_beyond_it_is_not(old: str, at: str, beyond: str, code: str) -> None:
    assert codes((old, at)) == set()
    assert codes((old, beyond)) == {code}


def test_the_verification_is_not_limited_by_a_specimen_that_is_not_connected() -> None:
    assert (
        codes(
            (CHARGE, "      charging_voltage: 1.4 kV +-2 %"),
            ("highest_impulse: 2 kV", "highest_impulse: 1.5 kV"),
        )
        == set()
    )


def test_a_verification_is_held_to_the_ratings_of_the_source() -> None:
    found = codes(
        ("  charging_voltage: 1.7 kV +-2 %\n  interval", "  charging_voltage: 1.79 kV +-2 %\n  interval")
    )

    assert found == {"above-own-equipment"}


@pytest.mark.parametrize("peak", ["0.85 kV +-1 %", "1.75 kV +-1 %"])
def test_an_open_circuit_peak_is_possible_from_half_the_charge_to_all_of_it(peak: str) -> None:
    edit = ("accept: {peak: 1.7 kV +-10 %", f"accept: {{peak: {peak}")
    assert codes(edit, ("  effective_impedance: 2 ohm +-10 %\n", "")) == set()


@pytest.mark.parametrize("peak", ["0.8 kV +-1 %", "1.8 kV +-1 %"])
def test_an_open_circuit_peak_outside_of_that_can_never_be_met(peak: str) -> None:
    edit = ("accept: {peak: 1.7 kV +-10 %", f"accept: {{peak: {peak}")
    assert codes(edit, ("  effective_impedance: 2 ohm +-10 %\n", "")) == {"verification-never-valid"}


def test_a_change_from_first_to_last_may_be_limited_in_per_cent_or_in_the_results_unit() -> None:
    rule = "judged: every shot, at_most: 310 V, rule: guard_band"
    for limit, expected in (("7 %", set()), ("20 V", set()), ("20 A", {"limit-unit"})):
        assert codes((rule, f"judged: change first to last, at_most: {limit}, rule: guard_band")) == expected


def test_equipment_of_another_name_is_named() -> None:
    renamed = GOOD.replace("meter: {type", "metre: {type").replace("instrument: meter", "instrument: metre")
    loaded, bench = load_sequence(tree.from_text(renamed), KINDS), load_bench(tree.from_text(BENCH))

    assert [(f.code, f.help) for f in check(loaded, bench)] == [
        ("equipment-not-on-bench", "its leakage meter is named meter")
    ]


def test_a_change_needs_two_shots() -> None:
    edit = ("judged: every shot, at_most: 310 V", "judged: change first to last, at_most: 7 %")
    assert codes(edit, ("shots: 12,", "shots: 2,")) == set()
    assert codes(edit, ("shots: 12,", "shots: 1,")) == {"judged-impossible"}


def test_a_sequence_whose_bench_file_is_refused_is_not_silently_called_compared(tmp_path: Path) -> None:
    from orchestrator.cli.check import answer_for, as_data, as_text

    library = Path(__file__).parents[2] / "sequences" / "library" / "tidewater"
    sequence = tmp_path / "sequence.yaml"
    sequence.write_text((library / "sequence.yaml").read_text())
    bench = tmp_path / "bench.yaml"
    bench.write_text((library / "bench.yaml").read_text().replace("safety_io:", "safety_oi:"))

    answer = answer_for(str(sequence))
    assert f"NOT compared with {bench}, the bench file beside it: that file is refused itself" in as_text(
        answer
    )
    assert as_data(answer)["compared_with_bench"] is False
    assert answer.exit_code() == 1

    bench.write_text((library / "bench.yaml").read_text())
    answer = answer_for(str(sequence))
    assert "NOT compared" not in as_text(answer)
    assert as_data(answer)["compared_with_bench"] is True
