"""Uncertainty budgets of contact figures: sampling, noise, quantisation, gain, offset, timebase.

* *sampling*: an instant lies anywhere between two samples (rectangular), or within a zero of the supply. A
  contact that did not reopen may have done so for less than one interval.
* *noise*, *quantisation*, *gain*, *offset*: shift the level that an instant is read at, and so the instant by as
  much as the voltage took to pass that shift; next to nothing for a jump. In the drop they count whole.
* *timebase*: of the stated accuracy, in every time.

Not in the budget: limited bandwidth, and the choice of the open criterion, which belongs to the definition.
"""

from __future__ import annotations

import math

from orchestrator.analysis.contact_record import ContactFigures, Instant
from orchestrator.analysis.figures import Internals
from orchestrator.analysis.uncertainty import Budget, Contribution, combine, nothing, within
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform

BETWEEN = "anywhere between two samples, or within a zero of the supply"
UNSEEN = "a shorter one is not seen"
WHOLE = "a count; what the record shows, it shows"


def budget(waveform: Waveform, method: str, internals: Internals) -> dict[str, Budget]:
    """Budgets by result name; empty while a channel states no accuracy."""
    del waveform  # the channels that the method picked are in `internals`
    figures = internals.contact
    assert figures is not None
    if any(channel.accuracy is None for channel in internals.channels.values()):
        return {}
    at = figures.instants
    if method == "contact-break":
        return {
            "break_time": _time(figures, internals, "extinction"),
            "arcing_time": _span(figures, internals, at["parting"], at["extinction"]),
        }
    return {
        "make_time": _time(figures, internals, "first_make"),
        "bounce_time": _span(figures, internals, at["first_make"], at["last_make"]),
        "bounce_count": _count(figures),
        "contact_drop": _drop(figures, internals.channels["voltage"]),
    }


def _time(figures: ContactFigures, internals: Internals, name: str) -> Budget:
    at = figures.instants[name]
    lines = [*_instant(figures, internals, at), _timebase(internals, at.time_s)]
    return combine(at.time_s, "s", lines)


def _span(figures: ContactFigures, internals: Internals, start: Instant, stop: Instant) -> Budget:
    """Between two instants; of none at all, the longest that could hide."""
    value = max(stop.time_s - start.time_s, 0.0)
    if value == 0.0:
        hidden = max(figures.interval_s, abs(stop.time_s - start.time_s), start.half_width_s)
        unseen = within("sampling", hidden, 1.0, UNSEEN, unit="s")
        return combine(0.0, "s", [unseen, nothing("timebase", "it has no length")])
    lines = [
        *_instant(figures, internals, start, " of the start"),
        *_instant(figures, internals, stop, " of the end"),
        _timebase(internals, value),
    ]
    return combine(value, "s", lines)


def _instant(figures: ContactFigures, internals: Internals, at: Instant, of: str = "") -> list[Contribution]:
    channel, levels = internals.channels[at.role], figures.levels
    of_voltage = at.role == "voltage"
    unit, noise = ("V", levels.noise_v) if of_voltage else ("A", levels.noise_a)
    level = levels.criteria.open_above_v if of_voltage else levels.criteria.floor_a
    # A level that is not passed between the two samples cannot move the instant out of their interval.
    per = min(1.0 / at.slope_per_s, figures.interval_s / noise) if at.slope_per_s and noise else 0.0
    per = per or (1.0 / at.slope_per_s if at.slope_per_s else 0.0)
    gain, offset = _stated(channel)
    return [
        within(f"sampling{of}", at.half_width_s, 1.0, BETWEEN, unit="s"),
        Contribution(f"noise{of}", noise, per, why="rms of one sample at the level", unit=unit),
        within(f"gain{of}", gain * level, per, "stated accuracy, at the level", unit=unit),
        within(f"offset{of}", offset, per, "stated accuracy, at the level", unit=unit),
    ]


def _stated(channel: Channel) -> tuple[float, float]:
    """Gain as a fraction, offset in the channel's unit (of the range; 0 where no range is stated)."""
    accuracy = channel.accuracy or Accuracy()
    return accuracy.gain_fraction, accuracy.offset_fraction_of_range * (channel.range_value or 0.0)


def _timebase(internals: Internals, time_s: float) -> Contribution:
    limit = max(each.accuracy.timebase_fraction for each in internals.channels.values() if each.accuracy)
    return within("timebase", limit, time_s, "stated accuracy")


def _count(figures: ContactFigures) -> Budget:
    return combine(
        float(figures.reopenings),
        "1",
        [
            _unseen(
                "sampling", figures.brief, "reopenings of one sample alone: others may have passed unseen"
            ),
            _unseen(
                "zeros", figures.zeros, "zeros of the supply within the bounce, in which nothing is seen"
            ),
        ],
    )


def _unseen(name: str, number: int, why: str) -> Contribution:
    return within(name, float(number), 1.0, why, unit="1") if number else nothing(name, WHOLE)


def _drop(figures: ContactFigures, voltage: Channel) -> Budget:
    drop, noise = figures.drop, figures.levels.noise_v
    assert drop is not None
    gain, offset = _stated(voltage)
    code = (voltage.stated_step or 0.0) / math.sqrt(12.0)
    spread = noise / math.sqrt(drop.samples)
    why = f"rms of one sample over the root of {drop.samples}"
    if drop.balanced:
        away = nothing("offset", "constant over whole periods, not in phase with the current")
    else:
        away = within("offset", offset, 1.0, "stated accuracy", unit="V")
    return combine(
        drop.value,
        "V",
        [
            Contribution("noise", spread, 1.0, max(1.0, drop.samples - 1.0), "normal", why, "V"),
            Contribution("quantisation", code, 1.0, shape="rectangular", why="one code, whole", unit="V"),
            within("gain", gain, drop.value, "stated accuracy"),
            away,
        ],
    )
