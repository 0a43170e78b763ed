"""From raw codes to figures: the capture's waveform, its bytes on disk, and the sanity of a shot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.analysis.waveform import Accuracy, Channel, Waveform
from orchestrator.record.captures import CaptureChannel, encode_capture

if TYPE_CHECKING:
    from orchestrator.analysis.methods import Result
    from orchestrator.engine.bench import RecorderUnit
    from orchestrator.engine.context import Context
    from sequences.capture import Capture

CURRENT_AS_EXPECTED = 0.2  # further off, and the shot is not the one that was asked for
FLAT_BELOW = 0.1  # of the expected peak: nothing was captured


@dataclass(frozen=True)
class Captured:
    """A capture as a waveform and as the bytes of its file."""

    waveform: Waveform
    encoded: bytes


@dataclass(frozen=True)
class Outcome:
    """What a capture gave; `why` says in a sentence why it cannot be judged."""

    results: dict[str, dict[str, Any]]
    why: str | None = None
    warnings: list[str] = field(default_factory=list)
    budget: dict[str, Any] = field(default_factory=dict)


def fetch(units: list[RecorderUnit], at: Context) -> Captured:
    """Read every channel's raw codes; probe ratio and stated accuracy come from the bench file."""
    kept = [(unit, unit.fetch()) for unit in units]
    first = kept[0][1]
    interval_s, first_s = first.sample_interval_s, -first.pre_trigger_samples * first.sample_interval_s
    channels = [unit.as_capture(trace) for unit, trace in kept]
    waveform = Waveform(interval_s, first_s, {c.name: as_channel(c) for c in channels})
    return Captured(waveform, encode_capture(interval_s, first_s, channels))


def as_channel(kept: CaptureChannel) -> Channel:
    """A kept channel as the analysis takes it."""
    accuracy = Accuracy(kept.gain_fraction, kept.offset_fraction_of_range, kept.timebase_fraction)
    full_scale = (kept.full_scale_low, kept.full_scale_high)
    return Channel(kept.name, kept.unit, kept.codes, kept.scale, kept.offset, full_scale, kept.bits, accuracy)


def figures_of(waveform: Waveform, capture: Capture, polarity: str) -> Outcome:
    """The method's figures, or why the shot is not valid; `polarity` is the one asked for."""
    # Imported here: commands that never analyse must not pay for it.
    from orchestrator.analysis.methods import analyse
    from orchestrator.analysis.refusal import Refused

    ways = {name: _either_way(waveform.channels[name]) for name in capture.channels}
    why = _not_as_expected(ways, waveform, capture) or _other_polarity(ways, polarity)
    if why is not None:
        return Outcome({}, why)
    try:
        analysis = analyse(waveform, capture.method)
    except Refused as refused:
        return Outcome({}, f"{refused.code}: {refused.sentence}")
    results = {name: _plain(result) for name, result in analysis.results.items()}
    budget = {name: r.budget.to_json() for name, r in analysis.results.items() if r.budget is not None}
    return Outcome(results, None, list(analysis.warnings), budget)


def _plain(result: Result) -> dict[str, Any]:
    return {
        "value": result.value,
        "unit": result.unit,
        "expanded_uncertainty": result.expanded_uncertainty,
        "coverage_factor": result.coverage_factor,
        "definition": result.definition,
    }


Ways = dict[str, tuple[float, float]]
"""How far each channel goes up and down."""


def _not_as_expected(ways: Ways, waveform: Waveform, capture: Capture) -> str | None:
    """A flat channel, or a current that is not the one asked for: the source or the measuring failed."""
    for name, wanted in capture.channels.items():
        unit, peak = waveform.channels[name].unit, max(ways[name])
        if peak < FLAT_BELOW * wanted.expected_peak:
            return f"{name} is flat: largest {peak:.4g} {unit}, expected {wanted.expected_peak:.4g}"
        if unit == "A" and abs(peak / wanted.expected_peak - 1) > CURRENT_AS_EXPECTED:
            return f"{name} peaks at {peak:.4g} A, expected {wanted.expected_peak:.4g} A within 20 %"
    return None


def _other_polarity(ways: Ways, polarity: str) -> str | None:
    """A shot the other way round than asked for: a switch at the source, or a probe fitted in reverse."""
    for name, (up, down) in ways.items():
        if (up > down) != (polarity == "positive"):
            return f"{name} is {'positive' if up > down else 'negative'}, a {polarity} shot was asked for"
    return None


def _either_way(channel: Channel) -> tuple[float, float]:
    """How far it goes up and down from the middle of the record's beginning, in the channel's unit."""
    codes = channel.codes
    rest = float(np.median(codes[: max(1, len(codes) // 20)]))
    up, down = float(codes.max()) - rest, rest - float(codes.min())
    away = (up, down) if channel.scale > 0 else (down, up)
    return away[0] * abs(channel.scale), away[1] * abs(channel.scale)
