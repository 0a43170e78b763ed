"""`contact-make` and `contact-break` on records whose instants are known: direct and alternating, arcs, noise."""

import numpy as np
import pytest

from orchestrator.analysis.methods import Analysis, Asked, analyse, result_in_words
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array
from tests.contact_records import Circuit, break_record, make_record, times_s, waveform
from tests.studies.contact_coverage import coverage

RATE_HZ = 20e3
INTERVAL_S = 1.0 / RATE_HZ
T_S = times_s(RATE_HZ, 0.03, 0.3)
MAKES_S, OPENS_S = (4e-3, 5.2e-3, 6.1e-3), (4.7e-3, 5.9e-3)
DIRECT = Circuit(inrush=4.0)
LOGIC = Circuit(5.0, current_a=5e-3, drop_v=2e-3)
ARCING = Circuit(inrush=3.0, arc_v=12.0)
TINY_DROP = Circuit(drop_v=2e-3)


def made(
    circuit: Circuit,
    noise: float = 0.01,
    makes_s: tuple[float, ...] = MAKES_S,
    opens_s: tuple[float, ...] = OPENS_S,
    sign: float = 1.0,
    bits: int | None = None,
) -> Analysis:
    volts, amperes = make_record(T_S, circuit, makes_s, opens_s)
    spread = noise * circuit.supply_v, noise * circuit.current_a
    record = waveform(volts, amperes, INTERVAL_S, spread, seed=3, sign=sign, bits=bits, ranges=(40.0, 40.0))
    return analyse(record, "contact-make")


def value(analysis: Analysis, name: str) -> float:
    return analysis.results[name].value


def spread(analysis: Analysis, name: str) -> float:
    return analysis.results[name].expanded_uncertainty or 0.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("circuit", [DIRECT, LOGIC, ARCING, TINY_DROP])
def test_a_make_with_two_reopenings(circuit: Circuit, sign: float) -> None:
    found = made(circuit, sign=sign)

    assert value(found, "make_time") == pytest.approx(MAKES_S[0] - T_S[0], abs=INTERVAL_S / 2)
    assert value(found, "bounce_time") == pytest.approx(MAKES_S[-1] - MAKES_S[0], abs=INTERVAL_S)
    assert value(found, "bounce_count") == 2.0
    assert abs(value(found, "contact_drop") - circuit.drop_v) < 1.5 * spread(found, "contact_drop")


def test_a_drop_of_two_millivolts_without_noise() -> None:
    assert value(made(TINY_DROP, noise=0.0), "contact_drop") == pytest.approx(2e-3, rel=1e-9)


def test_one_long_bounce() -> None:
    found = made(DIRECT, makes_s=(3e-3, 9e-3), opens_s=(3.3e-3,))

    assert value(found, "bounce_count") == 1.0
    assert value(found, "bounce_time") == pytest.approx(6e-3, abs=INTERVAL_S)


def test_chatter_is_counted() -> None:
    makes_s = tuple(3e-3 + 0.4e-3 * k for k in range(14))
    found = made(DIRECT, makes_s=makes_s, opens_s=tuple(at + 0.2e-3 for at in makes_s[:-1]))

    assert value(found, "bounce_count") == 13.0
    assert value(found, "bounce_time") == pytest.approx(makes_s[-1] - makes_s[0], abs=INTERVAL_S)


def test_a_clean_make_has_no_bounce_and_says_what_could_hide() -> None:
    found = made(DIRECT, makes_s=(3e-3,), opens_s=())

    assert (value(found, "bounce_time"), value(found, "bounce_count")) == (0.0, 0.0)
    assert 0.5 * INTERVAL_S < spread(found, "bounce_time") < 1.1 * INTERVAL_S


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("zero_ms", np.arange(0.0, 10.0, 0.55).tolist())
def test_an_open_contact_at_a_zero_of_the_supply_is_no_make(hz: float, zero_ms: float) -> None:
    """At every phase of the supply; only a make within a zero is less sharp, and its uncertainty says so."""
    lamp = Circuit(110.0, hz, 0.9, 10.0, 4e-3, 0.1, zero_s=zero_ms * 1e-3)
    t_s = times_s(RATE_HZ, 0.04, 0.3)
    volts, amperes = make_record(t_s, lamp, MAKES_S, OPENS_S)
    found = analyse(waveform(volts, amperes, INTERVAL_S, (1.1, 0.02), seed=5), "contact-make")

    contact = found.internals.contact
    assert contact is not None and contact.levels.criteria.ac_hz == hz
    hides = (
        OPENS_S[1] < lamp.zero_s % (0.5 / hz) < MAKES_S[2]
    )  # the last reopening, of 0.2 ms, lies in a zero
    assert value(found, "bounce_count") == 2.0 - hides
    assert not hides or contact.zeros
    last_s = MAKES_S[1] if hides else MAKES_S[2]
    for name, true_s in (("first_make", MAKES_S[0]), ("last_make", last_s)):
        at = contact.instants[name]
        assert abs(at.time_s + t_s[0] - true_s) <= at.half_width_s + 1e-9
        assert at.half_width_s < 5e-4
    assert abs(value(found, "contact_drop") - 0.1) < 1.5 * spread(found, "contact_drop")


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("arcing_s", [0.0, 1e-3, 4e-3])
@pytest.mark.parametrize("circuit", [Circuit(arc_v=13.0), Circuit(48.0, arc_v=15.0), LOGIC])
def test_a_break_with_an_arc_plateau(circuit: Circuit, arcing_s: float, sign: float) -> None:
    if circuit is LOGIC:
        arcing_s = 0.0  # 5 V keep no arc
    volts, amperes = break_record(T_S, circuit, 10e-3, 10e-3 + arcing_s)
    noise = 0.01 * circuit.supply_v, 0.01 * circuit.current_a
    found = analyse(waveform(volts, amperes, INTERVAL_S, noise, 7, sign), "contact-break")

    assert value(found, "break_time") == pytest.approx(10e-3 + arcing_s - T_S[0], abs=INTERVAL_S / 2)
    assert value(found, "arcing_time") == pytest.approx(arcing_s, abs=INTERVAL_S)


@pytest.mark.parametrize("arcing_s", [1e-3, 5e-3, 15e-3])
def test_a_current_that_falls_slowly_is_followed_to_its_end(arcing_s: float) -> None:
    inductive = Circuit(arc_v=30.0)
    volts, amperes = break_record(T_S, inductive, 10e-3, 10e-3 + arcing_s, falls=True)
    found = analyse(waveform(volts, amperes, INTERVAL_S, (0.24, 0.02), 7), "contact-break")

    assert abs(value(found, "arcing_time") - arcing_s) < spread(found, "arcing_time")
    assert spread(found, "arcing_time") < max(0.1 * arcing_s, 3 * INTERVAL_S)


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("zero_ms", np.arange(0.0, 10.0, 0.7).tolist())
def test_an_arc_ends_at_the_next_zero_of_the_current(hz: float, zero_ms: float) -> None:
    half_s, parts_s = 0.5 / hz, 10e-3
    circuit = Circuit(110.0, hz, 0.9, drop_v=0.1, arc_v=15.0, zero_s=zero_ms * 1e-3)
    ends_s = circuit.zero_s + half_s * np.ceil((parts_s - circuit.zero_s) / half_s + 1e-9)
    volts, amperes = break_record(T_S, circuit, parts_s, ends_s)
    found = analyse(waveform(volts, amperes, INTERVAL_S, (1.1, 0.01), 9), "contact-break")

    contact = found.internals.contact
    assert contact is not None
    end = contact.instants["extinction"]
    assert abs(end.time_s + T_S[0] - ends_s) <= end.half_width_s
    if ends_s - parts_s > 1e-3:
        assert value(found, "arcing_time") == pytest.approx(ends_s - parts_s, abs=3e-4)


def test_without_an_arc_an_alternating_current_ends_where_the_voltage_begins() -> None:
    circuit = Circuit(110.0, 50.0, 0.9, drop_v=0.1)
    volts, amperes = break_record(T_S, circuit, 10e-3, 10e-3)
    found = analyse(waveform(volts, amperes, INTERVAL_S, (1.1, 0.01), 9), "contact-break")

    assert value(found, "arcing_time") == 0.0 and spread(found, "arcing_time") > INTERVAL_S / 2


def test_ringing_after_a_break_is_no_alternating_supply() -> None:
    volts, amperes = break_record(T_S, Circuit(), 10e-3, 10e-3)
    after_s = np.maximum(T_S - 10e-3, 0.0)
    ring = np.where(T_S >= 10e-3, 80.0 * np.exp(-after_s / 2e-3) * np.cos(2e3 * np.pi * after_s), 0.0)
    found = analyse(waveform(volts + ring, amperes, INTERVAL_S, (0.1, 0.02)), "contact-break")

    assert found.internals.contact is not None
    assert found.internals.contact.levels.criteria.ac_hz == 0.0
    assert value(found, "arcing_time") == 0.0


def ramped(t_s: Array, fall_s: float) -> tuple[Array, Array]:
    """A voltage that falls from 24 V to 0 along a straight line from 5 ms on, as through a slow filter."""
    volts = 24.0 * np.clip(1.0 - (t_s - 5e-3) / fall_s, 0.0, 1.0)
    return volts, 1.0 - volts / 24.0


def test_a_slow_passage_of_the_criterion_is_interpolated() -> None:
    volts, amperes = ramped(T_S, 8 * INTERVAL_S)
    found = analyse(waveform(volts, amperes, INTERVAL_S), "contact-make")

    true_s = 5e-3 + 8 * INTERVAL_S * 16.0 / 24.0 - T_S[0]
    assert value(found, "make_time") == pytest.approx(true_s, abs=1e-9)


def test_the_open_criterion_is_what_a_person_says_or_the_rule() -> None:
    volts, amperes = make_record(T_S, ARCING, MAKES_S, OPENS_S)
    record = waveform(volts, amperes, INTERVAL_S)

    by_rule, above_arc = (
        analyse(record, "contact-make"),
        analyse(record, "contact-make", asked=Asked(15.0)),
    )
    assert "open above 8 V: the smaller of 8 V" in by_rule.results["bounce_count"].definition
    assert "open above 15 V: as given" in above_arc.results["bounce_count"].definition
    assert (value(by_rule, "bounce_count"), value(above_arc, "bounce_count")) == (2.0, 0.0)
    logic = analyse(waveform(*make_record(T_S, LOGIC, MAKES_S, OPENS_S), INTERVAL_S), "contact-make")
    assert "open above 2.5 V" in logic.results["make_time"].definition


def test_a_count_is_written_as_one() -> None:
    found = made(DIRECT)

    assert result_in_words("bounce_count", found.results["bounce_count"]) == "2"


def test_codes_of_a_converter_give_the_same_figures() -> None:
    """A range of 40 V in 12 bits: the drop of 80 mV is four codes."""
    found = made(DIRECT, noise=0.002, bits=12)

    assert value(found, "bounce_count") == 2.0
    assert abs(value(found, "contact_drop") - 0.08) < spread(found, "contact_drop")


def test_without_stated_accuracy_there_is_no_uncertainty() -> None:
    volts, amperes = make_record(T_S, DIRECT, MAKES_S, OPENS_S)
    found = analyse(waveform(volts, amperes, INTERVAL_S, accuracy=None), "contact-make")

    assert all(result.expanded_uncertainty is None for result in found.results.values())
    assert any("no accuracy is stated" in text for text in found.warnings)


def test_warnings_name_what_weakens_a_record() -> None:
    touch = made(DIRECT, noise=0.0, makes_s=(4e-3, 4.16e-3), opens_s=(4.1e-3,))
    assert any("last one sample alone" in text for text in touch.warnings)
    assert spread(touch, "bounce_count") > 0.5

    low = Circuit(24.0, 50.0, 2.0, zero_s=3e-3)
    volts, amperes = make_record(T_S, low, (4e-3, 14e-3), (4.5e-3,))
    hidden = analyse(waveform(volts, amperes, INTERVAL_S), "contact-make")
    assert any("hides the contact for" in text for text in hidden.warnings)
    assert any("zeros of the supply lie within the bounce" in text for text in hidden.warnings)

    slow = made(Circuit(inrush=6.0, decay_s=8e-3))
    assert any("the current still changes by" in text for text in slow.warnings)
    steady = made(Circuit(inrush=6.0, decay_s=1e-3))
    assert not any("still changes" in text for text in steady.warnings)

    volts, amperes = break_record(T_S, Circuit(), 10e-3, 10e-3)
    amperes = np.where(T_S < 8e-3, amperes, 0.0)
    early = analyse(waveform(volts, amperes, INTERVAL_S), "contact-break")
    assert any("ends before the contact parts" in text for text in early.warnings)


@pytest.mark.parametrize("seed", range(60))
def test_stated_limits_hold_on_drawn_records(seed: int) -> None:
    """Any rate, supply, noise to 1 %, bounce and phase: each instant within what is stated for it."""
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([10e3, 20e3, 100e3]))
    hz = float(rng.choice([0.0, 0.0, 50.0, 60.0]))
    supply_v = 110.0 if hz else float(rng.choice([5.0, 12.0, 24.0, 48.0]))
    inrush, noise = float(rng.choice([1.0, 5.0, 10.0])), float(rng.choice([0.0, 0.003, 0.01]))
    circuit = Circuit(
        supply_v, hz, 10.0 ** rng.uniform(-2, 1), inrush, 5e-3, 0.5 / inrush * rng.random() + 1e-3,
        zero_s=0.02 * rng.random(),
    )  # fmt: skip
    bounces = int(rng.integers(0, 5))
    steps_s = rng.uniform(0.25e-3, 1.5e-3, 2 * bounces)
    events_s = rng.uniform(3e-3, 10e-3) + np.concatenate(([0.0], np.cumsum(steps_s)))
    t_s = times_s(rate_hz, 0.05, rng.random())
    volts, amperes = make_record(t_s, circuit, events_s[0::2].tolist(), events_s[1::2].tolist())
    spreads = noise * supply_v, 0.3 * noise * float(np.abs(amperes).max())
    found = analyse(
        waveform(volts, amperes, 1.0 / rate_hz, spreads, seed, float(rng.choice([-1, 1]))), "contact-make"
    )

    contact = found.internals.contact
    assert contact is not None
    assert abs(contact.reopenings - bounces) <= contact.zeros
    for name, true_s in (("first_make", events_s[0]), ("last_make", events_s[-1])):
        at = contact.instants[name]
        if contact.reopenings == bounces:
            assert abs(at.time_s + t_s[0] - true_s) <= at.half_width_s * 1.0001, name


def test_a_contact_that_carries_no_current_still_has_its_times() -> None:
    volts, amperes = make_record(T_S, Circuit(current_a=0.0), MAKES_S, OPENS_S)
    found = analyse(waveform(volts, amperes, INTERVAL_S, (0.05, 0.01)), "contact-make")

    assert value(found, "bounce_count") == 2.0
    assert any("no current is seen" in text for text in found.warnings)
    with pytest.raises(Refused):
        analyse(waveform(volts, amperes, INTERVAL_S, (0.05, 0.01)), "contact-break")


def test_the_stated_uncertainties_hold() -> None:
    """The study in small, with room for its few records: `python -m tests.studies.contact_coverage`."""
    found = coverage(150, seed=4)

    assert len(found) == 12 and min(found.values()) > 0.87
    assert sum(found.values()) / len(found) > 0.94
