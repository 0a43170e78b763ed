"""The analytic budgets against a Monte Carlo propagation in the manner of JCGM 101 (general practice).

By another route than the budget: errors are drawn at the input (gain, timebase, offset, noise, rounding,
sampling phase), each record is made from the closed form and analysed anew, and the scatter of the figures
is compared with the combined standard uncertainty. Source of the method: JCGM 101:2008, from memory.
"""

from collections.abc import Callable

import numpy as np
import pytest

from orchestrator.analysis.waveform import Accuracy
from tests.studies.coverage import results
from tests.studies.records import (
    Record,
    Setting,
    cubic_exponential,
    damped_sine,
    double_exponential,
    limiting,
    single_channel,
)

TRIALS = 250
SETTING = Setting(
    rate_hz=50e6,
    samples=4500,
    pre_trigger=0.1,
    bits=12,
    noise_of_peak=0.005,
    accuracy=Accuracy(0.01, 0.002, 0.002),
)


def voltage(drawn: np.random.Generator) -> Record:
    return single_channel("impulse-voltage", double_exponential(), SETTING, drawn)


def current(drawn: np.random.Generator) -> Record:
    return single_channel("impulse-current", damped_sine(), SETTING, drawn)


def specimen(drawn: np.random.Generator) -> Record:
    return limiting(SETTING, drawn, cubic_exponential())


@pytest.mark.parametrize(
    ("draw", "figures"),
    [
        (voltage, ["peak", "front_time", "time_to_half", "duration_50"]),
        (current, ["peak", "front_time", "time_to_half", "duration_50", "undershoot"]),
        (specimen, ["limiting_voltage", "peak_current", "energy", "charge"]),
    ],
    ids=["voltage", "current", "limiting voltage"],
)
def test_scatter_of_the_figures_is_the_combined_uncertainty(
    draw: Callable[[np.random.Generator], Record], figures: list[str]
) -> None:
    off: dict[str, list[float]] = {name: [] for name in figures}
    stated: dict[str, list[float]] = {name: [] for name in figures}
    for record, found in results(draw, TRIALS, seed=101):
        for name in figures:
            budget = found[name].budget
            assert budget is not None
            off[name].append((budget.value - record.truth[name]) / abs(record.truth[name]))
            stated[name].append(budget.combined / abs(record.truth[name]))

    for name in figures:
        scatter, claim = float(np.std(off[name])), float(np.median(stated[name]))
        # 250 trials know a standard deviation to 4.5 %; the budget may be generous, hardly mean.
        assert 0.85 * scatter <= claim <= 1.3 * scatter, name
        assert abs(float(np.mean(off[name]))) < 0.5 * claim, f"{name} is biased"
