"""The registry of methods: names, definitions, warnings, and what importing it costs."""

import subprocess
import sys

import numpy as np
import pytest

from orchestrator.analysis.methods import METHODS, analyse
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform
from tests.impulse_records import I_8_20, I_SERIES, V_1_2_50, record, times_us, values

RESULTS = {
    "impulse-voltage": ["peak", "front_time", "time_to_half", "duration_50", "undershoot"],
    "impulse-current": ["peak", "front_time", "time_to_half", "duration_50", "duration_118", "undershoot"],
    "limiting-voltage": ["limiting_voltage", "peak_current", "energy", "charge"],
    "contact-make": ["make_time", "bounce_time", "bounce_count", "contact_drop"],
    "contact-break": ["break_time", "arcing_time"],
}


def limited(sign: float = 1.0, noise: float = 0.0) -> Waveform:
    """A varistor law over an 8/20 current of 850 A, invented constants."""
    t_us = times_us(100e6)
    i = 850.0 * values(I_8_20.form, t_us)
    v = np.where(i > 0.0, 250.0 * np.maximum(i, 1e-9) ** 0.03, 0.0)
    rng = np.random.default_rng(11)
    v, i = (sign * x + noise * np.max(x) * rng.standard_normal(len(x)) for x in (v, i))
    accuracy = Accuracy(0.005, 0.001, 50e-6)
    return Waveform(
        1e-8,
        -10e-6,
        {
            "voltage": Channel("voltage", "V", v, accuracy=accuracy),
            "current": Channel("current", "A", i, accuracy=accuracy),
        },
    )


def test_the_registry_names_each_result_and_defines_it() -> None:
    assert {name: list(method.gives) for name, method in METHODS.items()} == RESULTS
    for method in METHODS.values():
        assert all(len(words) > 20 for _, words in method.gives.values())
    voltage, current = METHODS["impulse-voltage"].gives, METHODS["impulse-current"].gives
    assert "(t90 - t30) / 0.6" in voltage["front_time"][1]
    assert "(t90 - t10) / 0.8" in current["front_time"][1]
    assert len({current[name][1] for name in ("time_to_half", "duration_50", "duration_118")}) == 3


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_limiting_voltage_of_a_varistor_law(sign: float) -> None:
    results = analyse(limited(sign, noise=0.005), "limiting-voltage").results

    assert results["limiting_voltage"].value == pytest.approx(sign * 250.0 * 850.0**0.03, rel=2e-3)
    assert results["peak_current"].value == pytest.approx(sign * 850.0, rel=2e-3)
    assert results["charge"].value == pytest.approx(sign * 850.0 * 17.4566e-6, rel=3e-3)
    power = analyse(limited(), "limiting-voltage").results["energy"].value
    assert results["energy"].value == pytest.approx(power, rel=3e-3)  # positive whatever the polarity
    exact = np.trapezoid(limited().channels["voltage"].codes * limited().channels["current"].codes, dx=1e-8)
    assert power == pytest.approx(float(exact), rel=1e-4)


def test_every_figure_of_a_channel_with_stated_accuracy_has_its_uncertainty() -> None:
    for method, wave in (
        ("limiting-voltage", limited(noise=0.002)),
        ("impulse-current", limited(noise=0.002)),
    ):
        for result in analyse(wave, method).results.values():
            assert result.expanded_uncertainty is not None and result.expanded_uncertainty > 0.0
            assert result.coverage_factor is not None and 1.0 < result.coverage_factor < 4.0
            assert result.budget is not None


def test_without_stated_accuracy_there_is_none_and_it_is_said() -> None:
    analysis = analyse(record(V_1_2_50), "impulse-voltage")

    assert all(result.expanded_uncertainty is None for result in analysis.results.values())
    assert any("no accuracy is stated" in sentence for sentence in analysis.warnings)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"noise": 0.02}, "the procedure is tested to 1 %"),
        ({"bits": 8, "peak": 1000.0}, None),
        ({"pre_us": 0.6}, "the baseline has only"),
        ({}, None),
    ],
)
def test_warnings_say_what_weakens_a_record(how: dict[str, float], words: str | None) -> None:
    said = [
        text
        for text in analyse(record(V_1_2_50, **how), "impulse-voltage").warnings
        if "accuracy" not in text
    ]  # type: ignore[arg-type]

    assert (said == []) if words is None else any(words in text for text in said)


def test_few_codes_are_said() -> None:
    codes = np.rint(record(V_1_2_50).channels["voltage"].values() / 25.0)
    said = analyse(
        Waveform(1e-8, 0.0, {"voltage": Channel("voltage", "V", codes, 25.0)}), "impulse-voltage"
    ).warnings

    assert any("only 40 codes high" in text for text in said)


def test_notes_of_the_reader_come_first_among_the_warnings() -> None:
    wave = record(I_SERIES)
    noted = Waveform(wave.interval_s, 0.0, wave.channels, notes=("made-up note.",))

    assert analyse(noted, "impulse-current").warnings[0] == "made-up note."


def test_the_only_channel_in_the_unit_is_taken_whatever_its_name() -> None:
    channel = Channel("divider", "V", record(V_1_2_50).channels["voltage"].values())
    other = Channel("temperature", "degC", channel.codes)
    wave = Waveform(1e-8, 0.0, {"divider": channel, "temperature": other})

    assert analyse(wave, "impulse-voltage").results["peak"].value == pytest.approx(1000.0, rel=1e-3)


def test_a_method_that_does_not_exist() -> None:
    with pytest.raises(KeyError):
        analyse(record(V_1_2_50), "impulse-temperature")


def test_importing_the_methods_loads_nothing_heavy() -> None:
    heavy = "{'scipy', 'matplotlib', 'h5py', 'comtrade', 'pydantic', 'pint'}"
    code = f"import sys, orchestrator.analysis.methods; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )

    assert done.stdout.strip() == "[]"
