"""Whatever is in a record: finite figures or a refusal, never anything else."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from orchestrator.analysis.csv_file import read_csv
from orchestrator.analysis.methods import METHODS, analyse
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Accuracy, Array, Channel, CodeArray, Waveform

CALM = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
ACCURACY = Accuracy(0.005, 0.001, 5e-5)


def figures_or_refusal(codes: CodeArray, scale: float = 1.0) -> None:
    channels = {
        role: Channel(role, unit, codes, scale, 0.0, accuracy=ACCURACY)
        for role, unit in (("voltage", "V"), ("current", "A"))
    }
    for method in METHODS:
        try:
            results = analyse(Waveform(1e-8, 0.0, channels), method).results
        except Refused:
            continue
        for name, result in results.items():
            assert math.isfinite(result.value), name
            assert result.expanded_uncertainty is not None and math.isfinite(result.expanded_uncertainty), (
                name
            )
        for name in ("front_time", "time_to_half", "duration_50"):
            assert name not in results or results[name].value > 0.0


@CALM
@given(arrays.arrays(np.int16, st.integers(0, 300), elements=st.integers(-32768, 32767)))
def test_any_codes(codes: CodeArray) -> None:
    figures_or_refusal(codes, 0.5)


@CALM
@given(arrays.arrays(np.float64, st.integers(0, 300), elements=st.floats(-1e9, 1e9)))
@example(np.array([1.0, -1.0, *[0.0] * 30]))  # two samples that look like an alternating supply of no voltage
def test_any_values(values: Array) -> None:
    figures_or_refusal(values)


@pytest.mark.parametrize("seed", range(40))
def test_random_walks_steps_and_pulses(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(40, 3000))
    walk = np.cumsum(rng.standard_normal(size))
    steps = np.repeat(rng.standard_normal(size // 20 + 1), 20)[:size] * 100.0
    pulse = np.where(
        np.arange(size) > size // 4, 500.0 * np.exp(-np.arange(size) / rng.uniform(1.0, size)), 0.0
    )
    for shape in (walk, steps, pulse, pulse + walk, pulse * rng.standard_normal(size), np.abs(walk) ** 3):
        figures_or_refusal(shape)
        figures_or_refusal(-shape + 0.1 * rng.standard_normal(size))


@CALM
@given(st.binary(max_size=400))
def test_any_bytes_as_csv(data: bytes) -> None:
    for start in (b"", b"time [us],voltage [kV]\n", b"time [us],voltage [kV]\n0,1\n1,2\n"):
        try:
            waveform = read_csv(start + data)
        except Refused as refused:
            assert refused.sentence and refused.help
        else:
            assert waveform.interval_s > 0.0


@CALM
@given(st.text(alphabet="0123456789.,-+eE \n", max_size=300))
def test_any_numbers_as_csv(text: str) -> None:
    try:
        waveform = read_csv(b"time [us],voltage [kV]\n" + text.encode())
    except Refused:
        return
    assert np.isfinite(waveform.channels["voltage"].codes).all()
