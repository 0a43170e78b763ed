"""The record drawn with its construction lines, as a report prints it: black on white, no meaning in colour.

Left the front, right the whole record, one row for each channel. The same analysis gives the same bytes of
SVG.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.analysis.contact_plot import draw_contact
from orchestrator.analysis.figures import Figures
from orchestrator.analysis.methods import METHODS, Analysis
from orchestrator.analysis.waveform import Array, Channel, Waveform
from orchestrator.analysis.wording import axis_scale, spoken

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS = 1500  # a longer stretch is drawn as the lowest and highest sample of each column
STYLE: Any = {
    "svg.hashsalt": "benchward",
    "font.size": 9.0,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.0,
    "axes.titlelocation": "left",
    "path.simplify": False,
}
_CONSTRUCTION: Mapping[str, Any] = {"color": "black", "linewidth": 0.7}
_PAPER: Mapping[str, Any] = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
_SYMBOL = {"V": "u", "A": "i"}


def draw(waveform: Waveform, analysis: Analysis) -> Figure:
    """A figure with a row of two drawings for each channel that was analysed; nothing is shown or written.

    Left the front of an impulse, or what a contact does; right the whole record.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = analysis.internals.figures
    with rc_context(STYLE):
        if analysis.internals.contact is not None:
            return draw_contact(waveform, analysis)
        figure = Figure(figsize=(9.6, 3.4 * len(rows) + 0.5), layout="constrained")
        FigureCanvasAgg(figure)
        figure.suptitle(METHODS[analysis.method].title, x=0.01, ha="left", fontsize=10.0)
        axes = figure.subplots(len(rows), 2, squeeze=False)
        for (role, figures), (left, right) in zip(rows.items(), axes, strict=True):
            channel = analysis.internals.channels[role]
            row = _Row(channel, figures, analysis, waveform)
            row.draw_front(left)
            row.draw_whole(right)
    return figure


def save(waveform: Waveform, analysis: Analysis, path: Path) -> None:
    """Write the drawing; the suffix (.png, .svg, .pdf) chooses the kind. Raises OSError."""
    from matplotlib import rc_context

    dateless = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
    with rc_context(STYLE):
        draw(waveform, analysis).savefig(path, dpi=130, metadata=dateless.get(path.suffix.lower()))


class _Row:
    """One channel's two drawings. Time runs from the virtual origin, or as in the record if there is none."""

    def __init__(self, channel: Channel, figures: Figures, analysis: Analysis, waveform: Waveform) -> None:
        self.channel, self.figures, self.analysis, self.samples = channel, figures, analysis, waveform.samples
        self.low = next((name for name in ("front_30", "front_10") if name in figures.crossings), None)
        if self.low:
            crossing, front_time_s = figures.crossings[self.low], analysis.results["front_time"].value
            self.zero_s = crossing.time_s - crossing.level_fraction * front_time_s
            self.near_s = (self.zero_s - 0.7 * front_time_s, self.zero_s + 2.3 * front_time_s)
        else:
            self.zero_s = -waveform.first_s
            self.near_s = _around_peaks(analysis.internals.figures)
        self.scale, self.unit = axis_scale(figures.peak.height, figures.unit)

    def draw_front(self, axes: Axes) -> None:
        start_s, stop_s = max(self.near_s[0], 0.0), min(self.near_s[1], self._record_s())
        self._trace(axes, start_s, stop_s)
        if self.low:
            self._levels(axes, (self.low, "front_90"))
            self._front_line(axes)
        self._peak(axes, start_s, stop_s)
        axes.set_title("Front" if self.low else "Around the peak")

    def draw_whole(self, axes: Axes) -> None:
        self._trace(axes, 0.0, self._record_s())
        if "tail_50" in self.figures.crossings:
            self._half_value(axes)
        if self.figures.undershoot_fraction > 0.0:
            self._undershoot(axes)
        integral = {"V": ("energy", "W"), "A": ("charge", "Q")}[self.figures.unit]
        known = integral[0] in self.analysis.results
        axes.set_title(
            f"Whole record, {self._quantity(integral[1], integral[0])}" if known else "Whole record"
        )

    def _record_s(self) -> float:
        return (self.samples - 1) * self.figures.interval_s

    def _trace(self, axes: Axes, start_s: float, stop_s: float) -> None:
        interval_s = self.figures.interval_s
        first = int(np.clip(np.floor(start_s / interval_s), 0, self.samples - 1))
        last = int(np.clip(np.ceil(stop_s / interval_s), first + 1, self.samples))
        time_s, values = _columns(self.channel.values(first, last), first * interval_s, interval_s)
        time_scale, time_unit = axis_scale(stop_s - start_s, "s")
        self.time_scale = time_scale
        axes.plot((time_s - self.zero_s) / time_scale, values / self.scale, color="black", linewidth=0.8)
        axes.axhline(self.figures.baseline / self.scale, color="0.45", linewidth=0.6)
        axes.set_xlim((start_s - self.zero_s) / time_scale, (stop_s - self.zero_s) / time_scale)
        what = "time from the virtual origin" if self.low else "time in the record"
        axes.set_xlabel(f"{what} / {_typeset(time_unit)}")
        axes.set_ylabel(f"{self.channel.name} / {_typeset(self.unit)}")
        axes.grid(True, color="0.85", linewidth=0.5)
        axes.set_axisbelow(True)

    def _level_value(self, fraction: float) -> float:
        height = fraction * self.figures.peak.height
        return (self.figures.baseline + self.figures.polarity * height) / self.scale

    def _x(self, time_s: float) -> float:
        return (time_s - self.zero_s) / self.time_scale

    def _levels(self, axes: Axes, names: tuple[str, ...]) -> None:
        for name in names:
            crossing = self.figures.crossings.get(name)
            if crossing is None:
                continue
            x, y = self._x(crossing.time_s), self._level_value(crossing.level_fraction)
            axes.plot([axes.get_xlim()[0], x], [y, y], linestyle=(0, (5, 3)), **_CONSTRUCTION)
            axes.plot([x, x], [self._level_value(0.0), y], linestyle=(0, (1, 2)), **_CONSTRUCTION)
            axes.plot([x], [y], marker="o", markersize=4.5, color="black", markerfacecolor="white")
            self._level_name(axes, y, f"{crossing.level_fraction * 100:.0f} %")

    def _level_name(self, axes: Axes, y: float, text: str) -> None:
        left, right = axes.get_xlim()
        above = self.figures.polarity > 0
        axes.annotate(
            text,
            (left + 0.01 * (right - left), y),
            xytext=(0, 2 if above else -2),
            textcoords="offset points",
            va="bottom" if above else "top",
        )

    def _front_line(self, axes: Axes) -> None:
        """The straight line through the two levels, from the virtual origin to the peak."""
        ends = (self.zero_s, self.zero_s + self.analysis.results["front_time"].value)
        x = [self._x(end) for end in ends]
        base, top = self._level_value(0.0), self._level_value(1.0)
        axes.plot(x, [base, top], **_CONSTRUCTION)
        axes.plot([x[1], x[1]], [base, top], linestyle=(0, (1, 2)), **_CONSTRUCTION)
        axes.plot([x[0]], [base], marker="+", markersize=9, color="black")
        away = -1 if self.figures.polarity > 0 else 1
        axes.annotate(
            "O\u2081",
            (x[0], base),
            xytext=(-3, 9 * away),
            textcoords="offset points",
            ha="right",
            va="center",
        )
        self._span(axes, x[0], x[1], base - 0.10 * (top - base), self._quantity("T\u2081", "front_time"))
        axes.set_ylim(*sorted((base - 0.22 * (top - base), top + 0.17 * (top - base))))

    def _peak(self, axes: Axes, start_s: float, stop_s: float) -> None:
        y, time_s = self._level_value(1.0), self.figures.peak.time_s
        left, right = axes.get_xlim()
        axes.plot([left, right], [y, y], linestyle=(0, (5, 3)), **_CONSTRUCTION)
        if start_s <= time_s <= stop_s:
            axes.plot(
                [self._x(time_s)], [y], marker="o", markersize=4.5, color="black", markerfacecolor="white"
            )
        name = next(n for n, r in self.analysis.results.items() if r.unit == self.figures.unit)
        outward = 7 if self.figures.polarity > 0 else -7
        symbol = f"{_SYMBOL.get(self.figures.unit, 'peak')}\u0302"
        axes.annotate(
            self._quantity(symbol, name),
            (right, y),
            xytext=(0, outward),
            textcoords="offset points",
            ha="right",
            va="bottom" if outward > 0 else "top",
        )
        axes.margins(y=0.15)

    def _half_value(self, axes: Axes) -> None:
        crossing = self.figures.crossings["tail_50"]
        base, top = self._level_value(0.0), self._level_value(1.0)
        x, y = self._x(crossing.time_s), self._level_value(0.5)
        axes.plot([axes.get_xlim()[0], x], [y, y], linestyle=(0, (5, 3)), **_CONSTRUCTION)
        swing = self.figures.undershoot_fraction  # the dimension line keeps clear of it and of its name
        beyond = base - (swing + (0.22 if swing > 0.0 else 0.10)) * (top - base)
        for at, level in ((x, y), (0.0, base)):
            axes.plot([at, at], [beyond - 0.04 * (top - base), level], linestyle=(0, (1, 2)), **_CONSTRUCTION)
        axes.plot([x], [y], marker="o", markersize=4.5, color="black", markerfacecolor="white")
        self._level_name(axes, y, "50 %")
        self._span(axes, 0.0, x, beyond, self._quantity("T\u2082", "time_to_half"))

    def _undershoot(self, axes: Axes) -> None:
        swing = self.figures.swing
        assert swing is not None  # the fraction is zero without one
        x, y = self._x(swing.time_s), self._level_value(swing.height / self.figures.peak.height)
        axes.plot([x], [y], marker="o", markersize=4.5, color="black", markerfacecolor="white")
        text = _typeset(f"undershoot {self._words('undershoot')}")
        away = -8 if self.figures.polarity > 0 else 8
        axes.annotate(text, (x, y), xytext=(8, away), textcoords="offset points", va="center", bbox=_PAPER)

    def _span(self, axes: Axes, left: float, right: float, y: float, text: str) -> None:
        """A measured distance: an arrow with both ends, its figure to the right of it."""
        arrow = {"arrowstyle": "<->", "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
        axes.annotate("", (left, y), (right, y), arrowprops=arrow)
        axes.annotate(text, (right, y), xytext=(5, 0), textcoords="offset points", va="center", bbox=_PAPER)

    def _quantity(self, symbol: str, name: str) -> str:
        return f"{symbol} = {_typeset(self._words(name))}"

    def _words(self, name: str) -> str:
        result = self.analysis.results[name]
        return spoken(result.value, result.unit, result.expanded_uncertainty)


def _around_peaks(figures: Mapping[str, Figures]) -> tuple[float, float]:
    """The same stretch for all channels: from before the impulse to well after the later peak."""
    start_s = min(each.baseline_window_s[1] for each in figures.values())
    rise_s = max(each.peak.time_s for each in figures.values()) - start_s
    return start_s - 0.3 * rise_s, start_s + 2.5 * rise_s


def _typeset(text: str) -> str:
    """The proper signs for what is typed in plain letters."""
    for plain, proper in (("+-", "\u00b1"), (" us", " \u00b5s"), (" uV", " \u00b5V"), (" uA", " \u00b5A")):
        text = text.replace(plain, proper)
    return "\u00b5s" if text == "us" else text.replace("-", "\u2212")


def _columns(values: Array, first_s: float, interval_s: float) -> tuple[Array, Array]:
    """Times and values to draw: all samples, or the lowest and highest of each column of a long stretch."""
    block = len(values) // COLUMNS
    times: Array = first_s + interval_s * np.arange(len(values), dtype=np.float64)
    if block < 4:
        return times, values
    count = len(values) // block
    folded = values[: count * block].reshape(count, block)
    ends: Array = np.column_stack((folded.min(axis=1), folded.max(axis=1))).ravel()
    return np.repeat(times[block // 2 : count * block : block], 2), ends
