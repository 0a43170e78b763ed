"""Budgets of impulse figures: the derivatives against the analysis itself, and what each contribution says."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from orchestrator.analysis.impulse_errors import ChannelErrors
from orchestrator.analysis.impulse_influence import (
    Influence,
    integral_influences,
    peak_influence,
    times,
    undershoot_influence,
)
from orchestrator.analysis.methods import Analysis, analyse
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform
from tests.studies.records import (
    Setting,
    clamped,
    cubic_exponential,
    damped_sine,
    double_exponential,
    limiting,
    single_channel,
)

ACCURACY = Accuracy(0.005, 0.001, 50e-6)
PEAK_V = 800.0
INTERVAL_S = 10e-9
SIX = ["sampling", "quantisation", "noise", "timebase", "gain", "offset"]


def smooth_record(method: str = "impulse-voltage") -> Waveform:
    """Without noise or rounding, negative, so that every small change of a sample can be followed."""
    name, unit = ("voltage", "V") if method == "impulse-voltage" else ("current", "A")
    impulse = double_exponential() if method == "impulse-voltage" else damped_sine()
    t_s = np.asarray((np.arange(9000) - 900.3) * INTERVAL_S, np.float64)
    return waveform(Channel(name, unit, -PEAK_V * impulse.at(t_s) + 3.0, accuracy=ACCURACY))


def specimen_record() -> Waveform:
    t_s = np.asarray((np.arange(9000) - 900.3) * INTERVAL_S, np.float64)
    current = cubic_exponential().at(t_s)
    return waveform(
        Channel("voltage", "V", 300.0 * clamped(current), accuracy=ACCURACY),
        Channel("current", "A", 700.0 * current, accuracy=ACCURACY),
    )


def waveform(*channels: Channel) -> Waveform:
    return Waveform(INTERVAL_S, 0.0, {channel.name: channel for channel in channels})


def changed(record: Waveform, name: str, window_s: tuple[float, float], by: float) -> Waveform:
    """The record with `by` added to one channel's samples in a window."""
    channel = record.channels[name]
    codes = channel.codes.copy()
    start, stop = (round(t / INTERVAL_S) for t in window_s)
    codes[start : stop + 1] += by
    return replace(record, channels={**record.channels, name: replace(channel, codes=codes)})


def influences(analysis: Analysis) -> dict[str, Influence]:
    figures = next(iter(analysis.internals.figures.values()))
    found = {"peak": peak_influence(figures), **times(figures)}
    undershoot = undershoot_influence(figures)
    return found if undershoot is None else {**found, "undershoot": undershoot}


METHODS = ["impulse-voltage", "impulse-current"]


@pytest.mark.parametrize("method", METHODS)
def test_values_of_the_budgets_are_the_figures(method: str) -> None:
    analysis = analyse(smooth_record(method), method)

    for name, result in analysis.results.items():
        assert result.budget is not None
        assert result.budget.value == pytest.approx(result.value, rel=1e-12)
        assert result.budget.unit == result.unit
        assert result.expanded_uncertainty == result.budget.expanded
        assert [line.name for line in result.budget.contributions if line.name in SIX] != [], name


@pytest.mark.parametrize("method", METHODS)
def test_a_baseline_error_does_what_the_budget_says(method: str) -> None:
    record = smooth_record(method)
    before = analyse(record, method)
    name = next(iter(record.channels))
    window_s = before.internals.figures[name].baseline_window_s
    by = -1e-3 * PEAK_V  # a lower code of a negative impulse is a greater height
    after = analyse(changed(record, name, (window_s[0], window_s[1] - INTERVAL_S), by), method)

    for figure, influence in influences(before).items():
        if figure == "duration_118" and figure not in before.results:
            continue
        moved = after.results[figure].value - before.results[figure].value
        assert moved == pytest.approx(influence.baseline * abs(by), rel=0.03), figure


@pytest.mark.parametrize(
    ("method", "part"),
    [
        ("impulse-voltage", "front_30"),
        ("impulse-voltage", "front_90"),
        ("impulse-voltage", "tail_50"),
        ("impulse-current", "front_10"),
        ("impulse-current", "tail_50"),
        ("impulse-current", "swing"),
    ],
)
def test_an_error_of_a_fitted_value_does_what_the_budget_says(method: str, part: str) -> None:
    record = smooth_record(method)
    before = analyse(record, method)
    name = next(iter(record.channels))
    figures = before.internals.figures[name]
    assert figures.swing is not None
    window_s = figures.swing.window_s if part == "swing" else figures.crossings[part].window_s
    by = -1e-4 * PEAK_V
    after = analyse(changed(record, name, window_s, by), method)

    touched = 0
    for figure, influence in influences(before).items():
        if part not in influence.fitted or figure not in before.results:
            continue
        touched += 1
        moved = after.results[figure].value - before.results[figure].value
        assert moved == pytest.approx(influence.fitted[part] * abs(by), rel=0.05), figure  # type: ignore[index]
    assert touched


@pytest.mark.parametrize("method", METHODS)
def test_a_higher_crest_does_what_the_budget_says(method: str) -> None:
    record = smooth_record(method)
    before = analyse(record, method)
    name = next(iter(record.channels))
    figures = before.internals.figures[name]
    by = -1e-4 * PEAK_V
    after = analyse(changed(record, name, figures.peak.window_s, by), method)

    for figure, influence in influences(before).items():
        if figure in before.results:
            moved = after.results[figure].value - before.results[figure].value
            assert moved == pytest.approx(influence.fitted["peak"] * abs(by), rel=0.05), figure


@pytest.mark.parametrize("method", METHODS)
def test_offset_and_gain_leave_out_what_the_budget_says_they_leave_out(method: str) -> None:
    record = smooth_record(method)
    name, channel = next(iter(record.channels.items()))
    before = analyse(record, method)
    other = replace(channel, codes=(channel.codes + 40.0) * 1.005)
    after = analyse(replace(record, channels={name: other}), method)

    for figure, result in before.results.items():
        assert result.budget is not None
        gain = next(line for line in result.budget.contributions if line.name == "gain")
        moved = after.results[figure].value - result.value
        assert moved == pytest.approx(gain.sensitivity * 0.005, rel=1e-6, abs=1e-9 * abs(result.value))


def test_a_wrong_time_scale_changes_times_and_integrals_alone() -> None:
    for record, method in ((smooth_record(), "impulse-voltage"), (specimen_record(), "limiting-voltage")):
        before = analyse(record, method)
        after = analyse(replace(record, interval_s=INTERVAL_S * 1.0001), method)
        for figure, result in before.results.items():
            assert result.budget is not None
            line = next(c for c in result.budget.contributions if c.name == "timebase")
            moved = after.results[figure].value - result.value
            assert moved == pytest.approx(line.sensitivity * 1e-4, rel=1e-6, abs=1e-9 * abs(result.value))


@pytest.mark.parametrize(("role", "by"), [("voltage", 0.3), ("current", 0.7)])
def test_a_baseline_error_in_charge_and_energy(role: str, by: float) -> None:
    record = specimen_record()
    before = analyse(record, "limiting-voltage")
    window_s = before.internals.figures[role].baseline_window_s
    after = analyse(changed(record, role, (window_s[0], window_s[1] - INTERVAL_S), by), "limiting-voltage")

    sums = before.internals.integrals
    assert sums is not None
    inside_s = max(0.0, window_s[1] - sums.start_s)  # of the changed samples, already under the integral
    for figure, (_, roles) in integral_influences(before.internals).items():
        expected = roles[role].baseline * by if role in roles else 0.0
        expected += by * inside_s if figure == "charge" and role == "current" else 0.0
        moved = after.results[figure].value - before.results[figure].value
        assert moved == pytest.approx(expected, rel=0.02, abs=1e-9)


def test_gain_of_both_channels_enters_the_energy() -> None:
    budget = analyse(specimen_record(), "limiting-voltage").results["energy"].budget
    assert budget is not None
    gains = {line.name: line.sensitivity for line in budget.contributions if line.name.startswith("gain")}

    assert gains == {
        "gain of voltage": pytest.approx(budget.value),
        "gain of current": pytest.approx(budget.value),
    }
    assert budget.share("timebase") < 0.01


@pytest.mark.parametrize("figure", ["front_time", "time_to_half", "duration_50"])
def test_contributions_without_effect_are_stated_with_their_reason(figure: str) -> None:
    budget = analyse(smooth_record(), "impulse-voltage").results[figure].budget
    assert budget is not None
    lines = {line.name: line for line in budget.contributions}

    assert set(SIX) <= set(lines)
    assert (lines["gain"].in_result, lines["offset"].in_result) == (0.0, 0.0)
    assert "common gain cancels" in lines["gain"].why
    assert "removed" in lines["offset"].why


def test_without_stated_accuracy_there_is_no_uncertainty() -> None:
    record = smooth_record()
    silent = {"voltage": replace(record.channels["voltage"], accuracy=None)}
    analysis = analyse(replace(record, channels=silent), "impulse-voltage")

    assert all(result.budget is None for result in analysis.results.values())
    assert all(result.expanded_uncertainty is None for result in analysis.results.values())


def test_an_undershoot_that_is_not_there_has_the_limit_below_which_it_could_hide() -> None:
    drawn = np.random.default_rng(5)
    record = single_channel(
        "impulse-voltage", double_exponential(), Setting(samples=9000, pre_trigger=0.1), drawn
    )
    result = analyse(record.waveform, "impulse-voltage").results["undershoot"]
    assert result.budget is not None

    assert result.value == 0.0
    assert 0.0 < result.budget.expanded < 0.02
    assert "hide" in next(line.why for line in result.budget.contributions if line.name == "gain")


def test_a_moving_baseline_is_a_contribution_of_its_own() -> None:
    steady = Setting(samples=9000, pre_trigger=0.1, noise_of_peak=0.001)
    found = {}
    for limit in (0.0, 0.03):
        drawn = np.random.default_rng(11)
        record = single_channel(
            "impulse-voltage", double_exponential(), replace(steady, drift_of_peak=limit), drawn
        )
        budget = analyse(record.waveform, "impulse-voltage").results["peak"].budget
        assert budget is not None
        found[limit] = budget.share("baseline drift")

    assert found[0.0] == 0.0
    assert found[0.03] > 0.1


@pytest.mark.parametrize(("smoothed_over", "low", "high"), [(1, 1.0, 1.0), (6, 4.0, 9.0)])
def test_noise_that_samples_share_is_averaged_by_runs(smoothed_over: int, low: float, high: float) -> None:
    drawn = np.random.default_rng(13)
    setting = Setting(samples=9000, pre_trigger=0.1, noise_of_peak=0.005, noise_run=smoothed_over)
    record = single_channel("impulse-voltage", double_exponential(), setting, drawn)
    figures = analyse(record.waveform, "impulse-voltage").internals.figures["voltage"]
    errors = ChannelErrors.seen(record.waveform.channels["voltage"], figures)

    assert low <= errors.run <= high
    assert errors.baseline_noise_factor == pytest.approx(math.sqrt(errors.run / figures.baseline_samples))
    for part in ("peak", "front_30", "tail_50"):
        alone = figures.peak.noise_factor if part == "peak" else figures.crossings[part].noise_factor
        assert alone <= errors.fitted(part).noise_factor <= max(1.0, alone)


def test_noise_of_a_code_scatters_the_rounding_and_quiet_records_carry_it_whole() -> None:
    shares = {}
    for noise in (0.0, 0.02):
        drawn = np.random.default_rng(12)
        setting = Setting(samples=9000, pre_trigger=0.1, bits=8, noise_of_peak=noise)
        record = single_channel("impulse-voltage", double_exponential(), setting, drawn)
        analysis = analyse(record.waveform, "impulse-voltage")
        errors = ChannelErrors.seen(
            record.waveform.channels["voltage"], analysis.internals.figures["voltage"]
        )
        shares[noise] = (errors.together, errors.baseline_code_factor)

    assert shares[0.0] == (1.0, 1.0)
    assert shares[0.02][0] < 1e-6
    assert shares[0.02][1] == pytest.approx(1.0 / math.sqrt(800), rel=0.2)


def test_every_budget_can_be_stored_and_printed() -> None:
    drawn = np.random.default_rng(6)
    record = limiting(Setting(samples=9000, pre_trigger=0.1), drawn, cubic_exponential())
    analysis = analyse(record.waveform, "limiting-voltage")

    for name, result in analysis.results.items():
        assert result.budget is not None
        stored = json.loads(json.dumps(result.budget.to_json(), allow_nan=False))
        assert stored["expanded_uncertainty"] == pytest.approx(result.expanded_uncertainty), name
        assert f"k = {result.budget.coverage_factor:.2f}" in result.budget.table()
