"""Speed of the analysis on ten million samples, beside one plain numpy pass over the same array.

Run alone: python -m tests.bench.analysis
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.waveform import Accuracy, Array, Channel, CodeArray, Waveform
from tests.bench.row import Row
from tests.impulse_records import I_8_20, V_1_2_50, Form, values

SAMPLES = 10_000_000
AT_MOST = 25.0
ROUNDS = 5
FULL_SCALE = 2500.0
BITS = 12
STEP = 2.0 * FULL_SCALE / 2.0**BITS
ACCURACY = Accuracy(0.005, 0.001, 50e-6)


def rows() -> list[Row]:
    """The analysis' rows of the speed table. Its memory is held by tests/unit/test_impulse_memory.py."""
    codes = _codes(V_1_2_50.form, 1700.0)
    voltage, current = _channel("voltage", "V", codes), _channel("current", "A", _codes(I_8_20.form, 850.0))
    as_floats = _channel("voltage", "V", codes.astype(np.float64))
    return [
        _speed("impulse-voltage, 10 M samples, int16", _wave(voltage), "impulse-voltage"),
        _speed("impulse-voltage, 10 M samples, float64", _wave(as_floats), "impulse-voltage"),
        _speed("limiting-voltage, 2 x 10 M samples, int16", _wave(voltage, current), "limiting-voltage"),
    ]


def _wave(*channels: Channel) -> Waveform:
    return Waveform(1e-11, -10e-6, {channel.name: channel for channel in channels})


def _codes(form: Form, peak: float) -> CodeArray:
    """100 us at 100 GS/s: every window of the procedure is long."""
    t_us: Array = np.arange(SAMPLES, dtype=np.float64) * 1e-5 - 10.0
    noisy = peak * values(form, t_us) + 8.0 * np.random.default_rng(1).standard_normal(SAMPLES)
    return np.asarray(np.rint(noisy / STEP), dtype=np.int16)


def _channel(name: str, unit: str, codes: CodeArray) -> Channel:
    return Channel(name, unit, codes, STEP, 0.0, (-FULL_SCALE, FULL_SCALE), BITS, ACCURACY)


def _speed(what: str, wave: Waveform, method: str) -> Row:
    codes = [channel.codes for channel in wave.channels.values()]
    pairs = [
        (
            _taken_s(lambda: analyse(wave, method)),
            _taken_s(lambda: [_scale_and_min_max(each) for each in codes]),
        )
        for _ in range(ROUNDS)
    ]
    ours_s, baseline_s = (statistics.median(side) for side in zip(*pairs, strict=True))
    ratio = statistics.median(ours / baseline for ours, baseline in pairs)
    return Row(what, ours_s, "numpy scale and min/max of the same codes", baseline_s, ratio, AT_MOST)


def _scale_and_min_max(codes: CodeArray) -> tuple[float, float]:
    scaled = codes * np.float64(STEP)
    return float(scaled.min()), float(scaled.max())


def _taken_s(work: Callable[[], object]) -> float:
    started_s = time.perf_counter()
    work()
    return time.perf_counter() - started_s


if __name__ == "__main__":
    for row in rows():
        print(
            f"{row.what:52}{row.ours_s:9.4f} s  {row.baseline_s:9.4f} s  {row.ratio:6.2f} of {row.at_most:g}"
        )
