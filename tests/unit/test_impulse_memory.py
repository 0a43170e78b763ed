"""A long record is analysed in little memory beyond its own codes."""

import tracemalloc

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform
from tests.impulse_records import I_8_20, V_1_2_50, digitised, values

SAMPLES = 2_000_000


@pytest.fixture(scope="module")
def wave() -> Waveform:
    """100 us at 20 GS/s, every window long; 12 bits."""
    t_us = np.arange(SAMPLES, dtype=np.float64) * 5e-5 - 10.0
    rng = np.random.default_rng(2)
    channels = {}
    for name, unit, form in (("voltage", "V", V_1_2_50.form), ("current", "A", I_8_20.form)):
        seen = 1000.0 * values(form, t_us) + 3.0 * rng.standard_normal(SAMPLES)
        plain = digitised(name, unit, seen, 1300.0, 12)
        accuracy = Accuracy(0.005, 0.001, 5e-5)
        channels[name] = Channel(
            name, unit, plain.codes, plain.scale, 0.0, plain.full_scale, plain.bits, accuracy
        )
    return Waveform(5e-11, 0.0, channels)


@pytest.mark.parametrize("method", ["impulse-voltage", "impulse-current", "limiting-voltage"])
def test_memory_stays_below_four_times_the_codes(wave: Waveform, method: str) -> None:
    analyse(wave, method)  # what is imported late is not the record's
    held = (
        sum(channel.codes.nbytes for channel in wave.channels.values())
        if method == "limiting-voltage"
        else (wave.channels["voltage"].codes.nbytes)
    )
    tracemalloc.start()
    try:
        analyse(wave, method)
        beyond = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert held + beyond <= 4 * held
