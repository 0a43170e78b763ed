"""What noise, offset, polarity, time origin, few bits and few samples do to the figures, in seeded families.

The bounds on bias are a small part of the tolerances of the shapes (30 % and 20 %), those on spread what white noise
must do to fits of that length. One family of 60 records each.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.waveform import Array, Waveform
from tests.impulse_records import I_8_20, I_SERIES, V_1_2_50, Truth, record, times_us, values

FAMILY = 60


def errors(truth: Truth, rate_hz: float, **how: object) -> dict[str, Array]:
    """Relative errors of a family with both polarities (of the undershoot: absolute)."""
    found = []
    for seed in range(FAMILY):
        peak = 1000.0 if seed % 2 else -1000.0
        results = analyse(record(truth, rate_hz, seed=seed, peak=peak, **how), truth.method).results  # type: ignore[arg-type]
        found.append(
            (
                results["peak"].value / peak - 1.0,
                results["front_time"].value * 1e6 / truth.front_time_us - 1.0,
                results["time_to_half"].value * 1e6 / truth.time_to_half_us - 1.0,
                results["undershoot"].value - truth.undershoot,
            )
        )
    return dict(zip(("peak", "front_time", "time_to_half", "undershoot"), np.array(found).T, strict=True))


TRUTHS = pytest.mark.parametrize(
    "truth", [V_1_2_50, I_8_20, I_SERIES], ids=["1.2/50", "8/20", "series circuit"]
)


@TRUTHS
@pytest.mark.parametrize("rate_hz", [100e6, 25e6, 10e6])
def test_without_noise_nothing_is_off_by_more_than_interpolation(truth: Truth, rate_hz: float) -> None:
    found = errors(truth, rate_hz)

    assert np.max(np.abs(found["peak"])) < 5e-4
    assert np.max(np.abs(found["time_to_half"])) < 1e-3
    assert np.max(np.abs(found["front_time"])) < (2e-2 if rate_hz < 20e6 and truth is V_1_2_50 else 2e-3)
    assert np.max(np.abs(found["undershoot"])) < 1e-3


@TRUTHS
def test_one_per_cent_noise_at_100_ms_per_s(truth: Truth) -> None:
    """A crest read as the largest sample would be 3.5 % high here, a crossing as the first sample 5 % early."""
    found = errors(truth, 100e6, noise=0.01, offset=0.05)

    bias = {name: float(np.mean(each)) for name, each in found.items()}
    spread = {name: float(np.std(each)) for name, each in found.items()}
    assert abs(bias["peak"]) < 5e-4 and spread["peak"] < 2e-3
    assert abs(bias["front_time"]) < 5e-3 and spread["front_time"] < 1.3e-2
    assert abs(bias["time_to_half"]) < 1e-3 and spread["time_to_half"] < 3e-3
    assert abs(bias["undershoot"]) < 2e-3 and spread["undershoot"] < 5e-3


@TRUTHS
def test_one_per_cent_noise_at_10_ms_per_s(truth: Truth) -> None:
    found = errors(truth, 10e6, noise=0.01, offset=-0.05)

    assert abs(np.mean(found["peak"])) < 2.5e-3 and np.std(found["peak"]) < 6e-3
    assert abs(np.mean(found["front_time"])) < 1.5e-2 and np.std(found["front_time"]) < 5.5e-2
    assert abs(np.mean(found["time_to_half"])) < 5e-3 and np.std(found["time_to_half"]) < 8e-3


@TRUTHS
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_bits_cost_no_more_than_half_a_code(truth: Truth, bits: int) -> None:
    found = errors(truth, 100e6, bits=bits, offset=0.03)
    half_a_code = 0.5 * 2.0 * 1.35 / 2.0**bits

    assert np.max(np.abs(found["peak"])) < 2.0 * half_a_code + 5e-4  # in the baseline and in the crest
    assert np.max(np.abs(found["front_time"])) < 6.0 * half_a_code + 2e-3
    assert np.max(np.abs(found["time_to_half"])) < 2.0 * half_a_code + 1e-3


@settings(max_examples=40, deadline=None)
@given(
    peak=st.sampled_from([-1.0, 1.0]).flatmap(lambda s: st.floats(1e-3, 1e6).map(lambda size: s * size)),
    offset=st.floats(-0.3, 0.3),
    first_s=st.floats(-1e3, 1e3),
    scale=st.sampled_from([1.0, -1.0, 1e-3, 250.0]),
)
def test_figures_do_not_depend_on_size_sign_offset_origin_or_scale(
    peak: float, offset: float, first_s: float, scale: float
) -> None:
    plain = record(V_1_2_50, 25e6, noise=0.002, seed=7)
    base = analyse(plain, "impulse-voltage").results
    channel = plain.channels["voltage"]
    codes = (channel.codes / 1000.0 * peak + offset * abs(peak)) / scale
    moved = Waveform(plain.interval_s, first_s, {"voltage": type(channel)("voltage", "V", codes, scale)})

    found = analyse(moved, "impulse-voltage").results

    assert found["peak"].value == pytest.approx(base["peak"].value / 1000.0 * peak, rel=1e-6)
    for name in ("front_time", "time_to_half", "duration_50"):
        assert found[name].value == pytest.approx(base[name].value, rel=1e-6)
        assert found[name].value > 0.0


def test_the_same_codes_in_any_type_give_the_same_figures() -> None:
    wave = record(I_8_20, 50e6, bits=12, noise=0.003)
    channel = wave.channels["current"]
    base = analyse(wave, "impulse-current").results["front_time"].value

    for kind in (np.int32, np.float32, np.float64):
        other = type(channel)(
            "current", "A", channel.codes.astype(kind), channel.scale, 0.0, channel.full_scale, 12
        )
        again = analyse(Waveform(wave.interval_s, 0.0, {"current": other}), "impulse-current")
        assert again.results["front_time"].value == pytest.approx(base, rel=1e-9)


def test_unsigned_codes_are_no_trap_for_a_negative_impulse() -> None:
    codes = np.rint(200.0 - 150.0 * values(I_8_20.form, times_us(50e6))).astype(np.uint8)
    channel = record(I_8_20).channels["current"]
    wave = Waveform(2e-8, 0.0, {"current": type(channel)("current", "A", codes, 2.0, -256.0)})

    assert analyse(wave, "impulse-current").results["peak"].value == pytest.approx(-300.0, rel=5e-3)


def test_a_short_pre_trigger_in_a_very_long_record_is_found() -> None:
    """2 us before the impulse in 20 ms: the first two-hundredth of the record holds the whole impulse."""
    wave = record(V_1_2_50, 50e6, length_us=20_000.0, pre_us=2.0, noise=0.002)

    assert analyse(wave, "impulse-voltage").results["time_to_half"].value == pytest.approx(
        50.0018e-6, rel=5e-3
    )


def test_a_chopped_impulse_keeps_its_peak_and_its_short_tail() -> None:
    t_us = times_us(100e6)
    whole = values(V_1_2_50.form, t_us)
    chopped = np.where(t_us > 20.0, whole * np.exp(-(np.maximum(t_us, 20.0) - 20.0) / 0.05), whole)
    channel = type(record(V_1_2_50).channels["voltage"])("voltage", "V", chopped)

    results = analyse(Waveform(1e-8, 0.0, {"voltage": channel}), "impulse-voltage").results

    assert results["peak"].value == pytest.approx(1.0, rel=1e-3)
    assert results["time_to_half"].value == pytest.approx(
        (20.0 + 0.05 * np.log(2 * whole[3000]) + 0.22) * 1e-6, rel=5e-3
    )
