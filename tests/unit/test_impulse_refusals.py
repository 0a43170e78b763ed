"""Records that must give no figures, each with its code and a sentence, and their neighbours that must."""

from collections.abc import Callable

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.refusal import REFUSAL_CODES, Refused
from orchestrator.analysis.waveform import Array, Channel, Waveform
from tests.impulse_records import I_8_20, V_1_2_50, digitised, of_values, record, times_us, values

T_US = times_us(100e6)
IMPULSE = 1000.0 * values(V_1_2_50.form, T_US)
NOISE = np.random.default_rng(3).standard_normal(len(T_US))


def refusal(wave: Waveform, method: str = "impulse-voltage") -> Refused:
    with pytest.raises(Refused) as refused:
        analyse(wave, method)
    assert refused.value.code in REFUSAL_CODES
    assert refused.value.sentence.endswith(".") and refused.value.help.endswith(".")
    return refused.value


def replaced(where: slice, by: float) -> Array:
    changed = IMPULSE.copy()
    changed[where] = by
    return changed


def after(start_us: float) -> Array:
    return IMPULSE[start_us <= T_US]


SPOILT: dict[str, tuple[str, Callable[[], Array]]] = {
    "cut off at 95 %": ("clipped", lambda: np.minimum(IMPULSE, 950.0)),
    "cut off at 70 %, negative": ("clipped", lambda: np.maximum(-IMPULSE, -700.0)),
    "cut off at 90 % with noise in it": ("clipped", lambda: np.minimum(IMPULSE + 10.0 * NOISE, 900.0)),
    "cut off at 90 % before the noise": ("clipped", lambda: np.minimum(IMPULSE, 900.0) + 2.0 * NOISE),
    "cut off at 90 % before much noise": ("clipped", lambda: np.minimum(IMPULSE, 900.0) + 10.0 * NOISE),
    "cut off at 95 % in 8 bits": ("clipped", lambda: np.rint(np.minimum(IMPULSE, 950.0) / 10.0) * 10.0),
    "all zero": ("flat", lambda: 0.0 * IMPULSE),
    "noise alone": ("flat", lambda: NOISE),
    "one code of noise": ("flat", lambda: np.rint(0.6 * NOISE)),
    "no pre-trigger": ("no_baseline", lambda: after(0.0)),
    "begins on the front": ("no_baseline", lambda: after(0.1)),
    "begins on the tail": ("no_baseline", lambda: after(10.0)),
    "a sine": ("no_baseline", lambda: np.sin(T_US)),
    "pre-trigger runs away": ("no_baseline", lambda: IMPULSE + np.where(T_US < 0, 15.0 * T_US, 0.0)),
    "a missing value": ("gaps", lambda: replaced(slice(5000, 5001), np.nan)),
    "endless values": ("gaps", lambda: replaced(slice(50, 60), np.inf)),
    "zeros in the tail": ("gaps", lambda: replaced(slice(1500, 1800), 0.0)),
    "one zero in the tail": ("gaps", lambda: replaced(slice(2500, 2501), 0.0)),
    "a spike": ("spike", lambda: replaced(slice(1300, 1301), 1700.0)),
    "noise of 8 %": ("too_noisy", lambda: IMPULSE + 80.0 * NOISE),
    "ten codes high": ("too_coarse", lambda: np.rint(IMPULSE / 100.0)),
    "ends before half value": ("truncated", lambda: IMPULSE[:4000]),
    "a handful of samples": ("truncated", lambda: IMPULSE[990:1010]),
    "a ramp": ("truncated", lambda: np.maximum(T_US, 0.0)),
    "empty": ("empty", lambda: IMPULSE[:0]),
}


@pytest.mark.parametrize(("code", "spoil"), SPOILT.values(), ids=SPOILT.keys())
def test_spoilt_records_are_refused(code: str, spoil: Callable[[], Array]) -> None:
    assert refusal(of_values(spoil())).code == code


NEIGHBOURS: dict[str, Array] = {
    "as it is": IMPULSE,
    "a natural flat top of 8 bits": np.rint(IMPULSE / 10.0) * 10.0,
    "noise of 4 %": IMPULSE + 40.0 * NOISE,
    "twenty samples of pre-trigger": after(-0.2),
    "ends just behind half value": IMPULSE[: 1000 + 5200],
    "pre-trigger moves by 1 %": IMPULSE + np.where(T_US < 0, 2.0 * T_US, 0.0),
}


@pytest.mark.parametrize("seen", NEIGHBOURS.values(), ids=NEIGHBOURS.keys())
def test_their_neighbours_are_not(seen: Array) -> None:
    results = analyse(of_values(seen), "impulse-voltage").results

    assert results["peak"].value == pytest.approx(1000.0, rel=2e-2)
    assert results["time_to_half"].value == pytest.approx(50e-6, rel=3e-2)


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_one_sample_on_a_stated_rail_is_clipped(bits: int, sign: float) -> None:
    step = 2.0 * 1200.0 / 2.0**bits
    channel = digitised("voltage", "V", sign * IMPULSE, 1200.0, bits)
    analyse(Waveform(1e-8, 0.0, {"voltage": channel}), "impulse-voltage")
    codes = channel.codes.copy()
    codes[np.argmax(np.abs(codes))] = 2 ** (bits - 1) - 1 if sign > 0 else -(2 ** (bits - 1))
    touched = Channel("voltage", "V", codes, step, 0.0, (-1200.0, 1200.0), bits)

    found = refusal(Waveform(1e-8, 0.0, {"voltage": touched}))

    assert found.code == "clipped"
    assert "larger range" in found.help


def test_the_last_code_of_the_type_is_a_rail_without_a_stated_range() -> None:
    codes = np.rint(IMPULSE / 1000.0 * 127.4).astype(np.int8)

    assert refusal(Waveform(1e-8, 0.0, {"voltage": Channel("voltage", "V", codes, 10.0)})).code == "clipped"


def test_a_reverse_swing_on_the_rail_is_clipped_too() -> None:
    seen = np.where(T_US > 70.0, -500.0, IMPULSE)
    channel = Channel("voltage", "V", seen, 1.0, 0.0, (-500.0, 1500.0))

    assert refusal(Waveform(1e-8, 0.0, {"voltage": channel})).code == "clipped"


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("noise", [0.0, 1e-3, 3e-3, 1e-2])
def test_unclipped_records_of_unknown_range_are_never_called_clipped(bits: int, noise: float) -> None:
    for seed in range(12):
        for rate_hz, truth in ((100e6, V_1_2_50), (10e6, I_8_20), (33e6, I_8_20)):
            wave = record(
                truth, rate_hz, bits=bits, noise=noise, seed=seed, peak=-1000.0 if seed % 2 else 1000.0
            )
            channel = wave.channels[truth.role]
            unstated = Channel(truth.role, truth.unit, channel.values())

            analyse(Waveform(wave.interval_s, 0.0, {truth.role: unstated}), truth.method)


def test_wrong_missing_and_ambiguous_channels() -> None:
    one = Channel("voltage", "A", IMPULSE)
    two = {name: Channel(name, "V", IMPULSE) for name in ("input", "output")}

    assert refusal(Waveform(1e-8, 0.0, {"voltage": one})).code == "wrong_unit"
    assert refusal(Waveform(1e-8, 0.0, {"u": one})).code == "missing_channel"
    assert refusal(Waveform(1e-8, 0.0, {})).code == "missing_channel"
    assert refusal(of_values(IMPULSE), "limiting-voltage").code == "missing_channel"
    assert refusal(Waveform(1e-8, 0.0, two)).code == "ambiguous_channel"


def test_what_was_expected_stands_in_the_refusal() -> None:
    with pytest.raises(Refused) as refused:
        analyse(of_values(0.0 * IMPULSE), "impulse-voltage", expected_peak={"voltage": 1700.0})

    assert "Expected peak: voltage 1700 V." in refused.value.sentence
