"""A figure over the cycles of an endurance run as SVG: band and median, limits, what was measured between, events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from orchestrator.analysis.plot import STYLE
from orchestrator.analysis.wording import axis_scale
from orchestrator.report.bands import Bands
from orchestrator.report.plots import LINES, new_figure, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Measured:
    """One value measured between cycles, after cycle `at`, with its expanded uncertainty."""

    at: int
    value: float
    expanded: float | None


@dataclass(frozen=True)
class CycleTrend:
    """A figure over the cycles. `events` are a word, its line in the legend, and the cycles where it happened."""

    name: str
    unit: str
    bands: Bands
    measured_name: str
    measured: Sequence[Measured]
    limits: Sequence[tuple[str, float]]  # what the line is, where it is
    events: Sequence[tuple[str, Sequence[int]]]
    mounts: int = 1


_LIMIT_LINES = LINES[1:] + LINES[:1]  # the median is the line without breaks
_EVENT_LINES = ((0, (1, 1)), (0, (4, 2, 1, 2)), (0, (6, 3)))


def cycle_trend_svg(trend: CycleTrend, prefix: str, mark: str = "") -> str:
    """The plot; every id in it begins with `prefix`."""
    from matplotlib import rc_context

    with rc_context(STYLE):
        figure = new_figure(2.9)
        _draw(figure.subplots(), trend)
        return svg(figure, prefix, mark)


def _draw(axes: Axes, trend: CycleTrend) -> None:
    scale, unit = _scale(trend)
    bands, of = trend.bands, f" of {trend.mounts} mounts" if trend.mounts > 1 else ""
    axes.fill_between(
        bands.at,
        bands.smallest / scale,
        bands.largest / scale,
        color="0.8",
        linewidth=0,
        label=f"all values{of}",
    )
    axes.plot(bands.at, bands.median / scale, color="black", linewidth=0.9, label=f"median{of}")
    if trend.measured:
        axes.errorbar(
            [one.at for one in trend.measured],
            [one.value / scale for one in trend.measured],
            yerr=[(one.expanded or 0.0) / scale for one in trend.measured],
            fmt="o", markersize=4, color="black", markerfacecolor="white", capsize=2, linewidth=0.7,
            label=trend.measured_name,
        )  # fmt: skip
    for line, (what, value) in zip(_LIMIT_LINES, trend.limits, strict=False):
        axes.axhline(value / scale, color="black", linewidth=1.1, linestyle=line, label=what)
    for style, (what, cycles) in zip(_EVENT_LINES, trend.events, strict=False):
        for place, cycle in enumerate(cycles):
            label = what if place == 0 else None
            axes.axvline(cycle, color="0.35", linewidth=0.9, linestyle=style, label=label)
    axes.set_xlabel("cycle")
    axes.set_ylabel(f"{trend.name} / {unit.replace('u', chr(0xB5))}" if unit else trend.name)
    axes.grid(True, color="0.9", linewidth=0.5)
    axes.margins(x=0.01, y=0.1)
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)


def _scale(trend: CycleTrend) -> tuple[float, str]:
    if trend.unit == "1":
        return 1.0, ""
    values = [
        *trend.bands.largest.tolist(),
        *(one.value for one in trend.measured),
        *(v for _, v in trend.limits),
    ]
    return axis_scale(max(map(abs, values), default=1.0), trend.unit)
