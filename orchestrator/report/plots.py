"""Plots of a report as SVG text to stand inside HTML: readable in black and white, the same bytes every time."""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from orchestrator.analysis.plot import STYLE
from orchestrator.analysis.wording import axis_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from orchestrator.analysis.methods import Analysis
    from orchestrator.analysis.waveform import Waveform

LINES = ("-", "--", "-.", ":")
_NO_DATES: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
_REFERENCES = (r'(\bid=")', r'(xlink:href="#)', r"(url\(#)")


@dataclass(frozen=True)
class Trend:
    """A result over the shots. `values` are magnitudes; `negative` tells which shots had negative polarity."""

    name: str
    unit: str
    shots: Sequence[int]
    values: Sequence[float]
    expanded: Sequence[float | None]
    negative: Sequence[bool]
    limits: Sequence[tuple[str, float]]  # what the line is, where it is


def shot_svg(waveform: "Waveform", analysis: "Analysis | None", prefix: str, mark: str = "") -> str:
    """One shot: with its construction lines where it could be analysed, else every channel as it was recorded."""
    from matplotlib import rc_context

    with rc_context(STYLE):
        figure = _as_recorded(waveform) if analysis is None else _analysed(waveform, analysis)
        return svg(figure, prefix, mark)


def trend_svg(trend: Trend, prefix: str, mark: str = "") -> str:
    """A result over the shots with its uncertainty and its limits."""
    from matplotlib import rc_context

    with rc_context(STYLE):
        figure = new_figure(2.9)
        _draw_trend(figure.subplots(), trend)
        return svg(figure, prefix, mark)


def _analysed(waveform: "Waveform", analysis: "Analysis") -> "Figure":
    from orchestrator.analysis.plot import draw

    return draw(waveform, analysis)


def new_figure(height: float) -> "Figure":
    """An empty figure as wide as the report, so many inches high."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.6, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _as_recorded(waveform: "Waveform") -> "Figure":
    import numpy as np

    channels = list(waveform.channels.values())
    figure = new_figure(2.2 * len(channels) + 0.4)
    axes = figure.subplots(len(channels), 1, sharex=True, squeeze=False)[:, 0]
    for axis, channel in zip(axes, channels, strict=True):
        values = channel.values()
        time_s = waveform.first_s + waveform.interval_s * np.arange(len(values))
        scale, unit = axis_scale(float(np.abs(values).max()), channel.unit)
        axis.plot(time_s * 1e6, values / scale, color="black", linewidth=0.8)
        for end in channel.full_scale or ():
            axis.axhline(end / scale, color="black", linewidth=0.7, linestyle=(0, (5, 3)))
        axis.set_ylabel(f"{channel.name} / {unit}")
        axis.grid(True, color="0.85", linewidth=0.5)
    axes[0].set_title("As recorded, not analysed; dashed: the ends of the range")
    axes[-1].set_xlabel("time from the trigger / \u00b5s")
    return figure


def _draw_trend(axes: "Axes", trend: Trend) -> None:
    from matplotlib.ticker import MaxNLocator

    largest = max([*trend.values, *(value for _, value in trend.limits)], default=1.0)
    scale, unit = (0.01, "%") if trend.unit == "1" else axis_scale(largest, trend.unit)
    axes.plot(trend.shots, [value / scale for value in trend.values], color="0.6", linewidth=0.7)
    for sign, marker, label in ((False, "o", "positive"), (True, "v", "negative")):
        chosen = [place for place, negative in enumerate(trend.negative) if negative is sign]
        axes.errorbar(
            [trend.shots[place] for place in chosen],
            [trend.values[place] / scale for place in chosen],
            yerr=[(trend.expanded[place] or 0.0) / scale for place in chosen],
            fmt=marker, markersize=5, color="black", markerfacecolor="white", capsize=3, linewidth=0.8, label=label,
        )  # fmt: skip
    for line, (what, value) in zip(LINES, trend.limits, strict=False):
        axes.axhline(value / scale, color="black", linewidth=1.1, linestyle=line, label=what)
    axes.set_xlabel("shot")
    axes.set_ylabel(f"{trend.name} / {unit.replace('u', chr(0xB5))}")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.grid(True, color="0.9", linewidth=0.5)
    axes.margins(y=0.2)
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)


def svg(figure: "Figure", prefix: str, mark: str) -> str:
    """The figure's SVG element; every id gets `prefix`, as several stand in one document."""
    if mark:
        figure.text(
            0.5,
            0.5,
            mark,
            ha="center",
            va="center",
            rotation=12,
            fontsize=30,
            color="0.5",
            alpha=0.4,
            zorder=9,
        )
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata=_NO_DATES)
    element = text.getvalue()[text.getvalue().index("<svg") :]
    for reference in _REFERENCES:
        element = re.sub(reference, rf"\g<1>{prefix}-", element)
    return re.sub(r"<metadata>.*?</metadata>", "", element, flags=re.DOTALL)
