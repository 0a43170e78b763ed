"""Where the sample rate stops carrying a front time: the evidence for FEWEST_FRONT_SAMPLES.

Records without noise, any sampling phase. From five samples between the levels on the front time is within 3 %, a tenth
of the 30 % that its shape allows; with fewer it is not, and with two it may be anything.
"""

import numpy as np
import pytest

from orchestrator.analysis import impulse
from orchestrator.analysis.methods import analyse
from orchestrator.analysis.refusal import Refused
from tests.impulse_records import I_8_20, I_SERIES, V_1_2_50, Truth, record

SPAN_US = {"impulse-voltage": 0.6, "impulse-current": 0.8}
TRUTHS = (V_1_2_50, I_8_20, I_SERIES)


def worst_error(truth: Truth, samples: float, records: int = 60) -> float:
    """Largest relative error of the front time, with `samples` intervals between the two levels of the front."""
    rate_hz = samples / (SPAN_US[truth.method] * truth.front_time_us * 1e-6)
    length_us = max(150.0, 300.0 / rate_hz * 1e6)
    worst = 0.0
    for seed in range(records):
        wave = record(truth, rate_hz, seed=seed, length_us=length_us, pre_us=0.2 * length_us)
        front_us = analyse(wave, truth.method).results["front_time"].value * 1e6
        worst = max(worst, abs(front_us / truth.front_time_us - 1.0))
    return worst


@pytest.mark.parametrize("samples", [5.4, 7.0, 12.0, 30.0])
def test_from_the_limit_on_the_front_time_is_within_three_per_cent(samples: float) -> None:
    assert max(worst_error(truth, samples) for truth in TRUTHS) < 0.03


def test_at_thirty_samples_the_advice_is_kept_with_a_margin() -> None:
    assert max(worst_error(truth, 30.0) for truth in TRUTHS) < 0.001


def test_well_below_the_limit_it_is_a_guess(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(impulse, "FEWEST_FRONT_SAMPLES", 0.0)

    assert max(worst_error(truth, 2.2) for truth in TRUTHS) > 0.06


@pytest.mark.parametrize("truth", TRUTHS, ids=["1.2/50", "8/20", "series circuit"])
@pytest.mark.parametrize("samples", [1.2, 2.5, 3.5, 4.4])
def test_below_the_limit_it_is_refused(truth: Truth, samples: float) -> None:
    with pytest.raises(Refused) as refused:
        worst_error(truth, samples, records=1)

    assert refused.value.code == "front_undersampled"
    assert "higher sample rate" in refused.value.help


def test_below_thirty_it_is_said() -> None:
    said = analyse(record(V_1_2_50, 10e6), "impulse-voltage").warnings
    assert any("7.2 samples" in sentence and "IEC 61083-1" in sentence for sentence in said)

    silent = analyse(record(V_1_2_50, 100e6), "impulse-voltage").warnings
    assert not any("samples" in sentence for sentence in silent)


def test_8_20_at_10_ms_per_s_has_enough() -> None:
    said = analyse(record(I_8_20, 10e6), "impulse-current").warnings

    assert not any("samples" in sentence for sentence in said)
    assert np.isfinite(analyse(record(I_8_20, 10e6), "impulse-current").results["front_time"].value)
