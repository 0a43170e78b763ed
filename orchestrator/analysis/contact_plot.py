"""A make or a break drawn with its instants and its open criterion; black on white, no meaning in colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.analysis.contact_record import ContactFigures
from orchestrator.analysis.methods import METHODS, Analysis, result_in_words
from orchestrator.analysis.waveform import Channel, Waveform
from orchestrator.analysis.wording import axis_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AROUND = 0.35  # of what happens, drawn before and after it on the left
LEAST_S = 20.0  # sampling intervals drawn on either side of it
COLUMNS = 1500
NAMES = {
    "first_make": "first make",
    "last_make": "last make",
    "parting": "parting",
    "extinction": "end of current",
}
_LINE: Any = {"color": "black", "linewidth": 0.7}


def draw_contact(waveform: Waveform, analysis: Analysis) -> Figure:
    """Voltage above, current below; left around what happens, right the whole record."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    found = analysis.internals.contact
    assert found is not None  # the methods of contacts have it
    figure = Figure(figsize=(9.6, 6.4), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(METHODS[analysis.method].title, x=0.01, ha="left", fontsize=10.0)
    axes = figure.subplots(2, 2, sharex="col", squeeze=False)
    end_s = (waveform.samples - 1) * found.interval_s
    for column, (start_s, stop_s) in enumerate((_around(found, end_s), (0.0, end_s))):
        for row, role in enumerate(("voltage", "current")):
            channel = analysis.internals.channels[role]
            _draw(axes[row][column], channel, found, (start_s, stop_s), named=column == 0)
        axes[1][column].set_xlabel("time from the first sample / ms")
    axes[0][0].set_title(_values(analysis))
    axes[0][1].set_title(f"Whole record; {found.criterion}")
    return figure


def _around(found: ContactFigures, end_s: float) -> tuple[float, float]:
    times_s = [at.time_s for at in found.instants.values()]
    beside_s = max(AROUND * (max(times_s) - min(times_s)), LEAST_S * found.interval_s)
    return max(min(times_s) - beside_s, 0.0), min(max(times_s) + beside_s, end_s)


def _values(analysis: Analysis) -> str:
    words = (
        f"{name.replace('_', ' ')} {result_in_words(name, result)}"
        for name, result in analysis.results.items()
    )
    return "\n".join(words).replace("+-", "\u00b1").replace(" us", " \u00b5s")


def _draw(
    axes: Axes, channel: Channel, found: ContactFigures, stretch_s: tuple[float, float], named: bool
) -> None:
    start_s, stop_s = stretch_s
    first, last = (round(time_s / found.interval_s) for time_s in (start_s, stop_s))
    values = channel.values(first, last + 1)
    times_ms, values = _thinned(values, 1e3 * start_s, 1e3 * found.interval_s)
    scale, unit = axis_scale(float(np.max(np.abs(values))), channel.unit)
    axes.plot(times_ms, values / scale, color="black", linewidth=0.8)
    axes.set_ylabel(f"{channel.name} / {unit.replace('u', chr(0xB5))}")
    axes.grid(True, color="0.85", linewidth=0.5)
    axes.set_axisbelow(True)
    levels = found.levels.criteria
    level = levels.open_above_v if channel.unit == "V" else levels.floor_a
    for side in (level, -level):
        if values.min() < side < values.max():
            axes.axhline(side / scale, linestyle=(0, (5, 3)), **_LINE)
    for name, at in _in_drawing(found, start_s, stop_s, channel.unit):
        axes.axvline(1e3 * at, linestyle=(0, (1, 2)), **_LINE)
        place: Any = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "xytext": (2, -9)}
        if named:
            axes.annotate(NAMES[name], (1e3 * at, 1.0), fontsize=8.0, **place)


def _in_drawing(found: ContactFigures, start_s: float, stop_s: float, unit: str) -> list[tuple[str, float]]:
    """Names stand with the channel that the instant was read from; a last make that is the first has none."""
    role = {"V": "voltage", "A": "current"}[unit]
    seen: dict[float, str] = {}
    for name, at in found.instants.items():
        if at.role == role and start_s <= at.time_s <= stop_s:
            seen.setdefault(at.time_s, name)
    return [(name, time_s) for time_s, name in seen.items()]


def _thinned(values: Any, first_ms: float, interval_ms: float) -> tuple[Any, Any]:
    """All samples, or the lowest and highest of each column of a long stretch."""
    block = len(values) // COLUMNS
    times_ms = first_ms + interval_ms * np.arange(len(values))
    if block < 4:
        return times_ms, values
    count = len(values) // block
    folded = values[: count * block].reshape(count, block)
    ends = np.column_stack((folded.min(axis=1), folded.max(axis=1))).ravel()
    return np.repeat(times_ms[block // 2 : count * block : block], 2), ends
