"""Records of a contact that carry no figures: each is refused by its code, with a sentence and help."""

import numpy as np
import pytest

from orchestrator.analysis.methods import Asked, analyse
from orchestrator.analysis.refusal import REFUSAL_CODES, Refused
from orchestrator.analysis.waveform import Array, Channel, Waveform
from tests.contact_records import Circuit, break_record, make_record, times_s, waveform

RATE_HZ = 20e3
T_S = times_s(RATE_HZ, 0.03, 0.3)
MAKES_S, OPENS_S = (4e-3, 5.2e-3), (4.7e-3,)
GOOD = make_record(T_S, Circuit(), MAKES_S, OPENS_S)
LAMP = Circuit(110.0, 50.0, 0.9)
NEVER = 1.0


def refused(record: Waveform, method: str, open_above_v: float | None = None) -> Refused:
    with pytest.raises(Refused) as caught:
        analyse(record, method, asked=Asked(open_above_v))
    assert caught.value.code in REFUSAL_CODES
    assert caught.value.sentence.endswith(".") and caught.value.help.endswith(".")
    return caught.value


def wave(parts: tuple[Array, Array], noise: tuple[float, float] = (0.05, 0.02)) -> Waveform:
    return waveform(*parts, 1.0 / RATE_HZ, noise, seed=1)


def chatter() -> tuple[Array, Array]:
    makes_s = [2e-3 + 1e-3 * k for k in range(30)]
    return make_record(T_S, Circuit(), makes_s, [at + 0.5e-3 for at in makes_s])


@pytest.mark.parametrize("noise", [(0.0, 0.0), (0.05, 0.02), (0.24, 0.04)])
@pytest.mark.parametrize(
    ("parts", "method", "code"),
    [
        (make_record(T_S, Circuit(), [NEVER]), "contact-make", "no_make"),
        (make_record(T_S, Circuit(), [-1.0]), "contact-make", "closed_at_start"),
        (make_record(T_S, Circuit(), [-1.0, 9e-3], [7e-3]), "contact-make", "closed_at_start"),
        (make_record(T_S, Circuit(inrush=8.0), [0.0]), "contact-make", "closed_at_start"),
        (chatter(), "contact-make", "not_settled"),
        (make_record(T_S, Circuit(), [T_S[-1] - 2e-4]), "contact-make", "not_settled"),
        (make_record(T_S, LAMP, [NEVER]), "contact-make", "no_make"),
        (break_record(T_S, Circuit(), NEVER, NEVER), "contact-break", "no_break"),
        (break_record(T_S, Circuit(arc_v=14.0), 9e-3, NEVER), "contact-break", "not_extinguished"),
        (break_record(T_S, Circuit(), -1.0, -1.0), "contact-break", "open_at_start"),
        (break_record(T_S, Circuit(current_a=0.0), 9e-3, 9e-3), "contact-break", "flat"),
        ((0.0 * T_S, 0.0 * T_S), "contact-make", "no_levels"),
    ],
)
def test_what_the_contact_did_not_do_is_named(
    parts: tuple[Array, Array], method: str, code: str, noise: tuple[float, float]
) -> None:
    assert refused(wave(parts, noise), method).code == code


@pytest.mark.parametrize("method", ["contact-make", "contact-break"])
def test_a_weld_under_alternating_voltage_is_named(method: str) -> None:
    record = wave(break_record(T_S, LAMP, NEVER, NEVER), (0.02, 0.01))

    assert refused(record, method).code == {"contact-make": "closed_at_start"}.get(method, "no_break")


def test_a_weld_is_a_danger_and_the_help_says_so() -> None:
    refusal = refused(wave(break_record(T_S, Circuit(), NEVER, NEVER)), "contact-break")

    assert "as live" in refusal.help and "weld" in refusal.help


def test_noise_that_hides_the_criterion() -> None:
    assert refused(wave(GOOD, (5.0, 0.02)), "contact-make").code == "too_noisy"
    assert refused(wave(GOOD, (2.2, 0.02)), "contact-make").code == "too_noisy"


@pytest.mark.parametrize("full_scale", [20.0, 24.0])
def test_a_voltage_at_the_end_of_its_stated_range(full_scale: float) -> None:
    record = waveform(*GOOD, 1.0 / RATE_HZ, bits=12, ranges=(full_scale, 40.0))

    assert refused(record, "contact-make").code == "clipped"


def test_an_inrush_cut_off_by_a_range_that_is_not_stated() -> None:
    volts, amperes = make_record(T_S, Circuit(inrush=10.0), MAKES_S, OPENS_S)

    refusal = refused(wave((volts, np.minimum(amperes, 20.0)), (0.0, 0.0)), "contact-make")
    assert refusal.code == "clipped" and "20 A" in refusal.sentence
    analyse(wave((volts, amperes), (0.0, 0.0)), "contact-make")
    # A coarse converter's crest is no cut: its next codes hold as many samples.
    analyse(waveform(volts, amperes, 1.0 / RATE_HZ, bits=8, ranges=(60.0, 60.0)), "contact-make")


@pytest.mark.parametrize("role", ["voltage", "current"])
def test_a_sample_that_is_no_number(role: str) -> None:
    record = wave(GOOD)
    record.channels[role].codes[77] = np.nan

    assert refused(record, "contact-make").code == "gaps"


def test_records_too_short_or_too_coarse() -> None:
    empty = np.zeros(0)
    assert refused(waveform(empty, empty, 5e-5), "contact-make").code == "empty"
    assert refused(waveform(GOOD[0][:20], GOOD[1][:20], 5e-5), "contact-make").code == "truncated"
    slow = waveform(*GOOD, 1e-3)
    assert "every 1 ms" in refused(slow, "contact-make").sentence
    few = times_s(4e3, 0.05, 0.3)
    lamp = make_record(few, Circuit(110.0, 400.0, 0.9), [10e-3])
    assert refused(waveform(*lamp, 1.0 / 4e3), "contact-make").code == "too_coarse"


def test_a_bounce_faster_than_the_samples() -> None:
    makes_s = [4e-3 + 1e-4 * k for k in range(9)]
    parts = make_record(T_S, Circuit(), makes_s, [at + 5e-5 for at in makes_s[:-1]])

    assert refused(wave(parts, (0.0, 0.0)), "contact-make").code == "too_coarse"


def test_a_criterion_of_a_few_codes() -> None:
    record = waveform(*GOOD, 1.0 / RATE_HZ, bits=8, ranges=(600.0, 40.0))

    assert refused(record, "contact-make").code in ("too_coarse", "too_noisy")


def test_a_criterion_above_all_voltages_tells_nothing_apart() -> None:
    assert refused(wave(GOOD), "contact-make", 100.0).code == "closed_at_start"


def test_a_channel_that_is_missing_or_in_another_unit() -> None:
    record = wave(GOOD)
    alone = Waveform(record.interval_s, 0.0, {"voltage": record.channels["voltage"]})
    assert refused(alone, "contact-make").code == "missing_channel"
    spoilt = {**record.channels, "current": Channel("current", "V", GOOD[1])}
    assert refused(Waveform(record.interval_s, 0.0, spoilt), "contact-break").code == "wrong_unit"
