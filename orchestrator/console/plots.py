"""The last waveform and the trend, drawn in characters; with `ascii_only` in those that every terminal has."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from typing import Any

from textual_plotext import PlotextPlot

from orchestrator.console.known import Point
from orchestrator.console.words import plain
from orchestrator.record.wording import exact, plain_name

Facts = dict[str, Any]
PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


def scaled(values: list[float], unit: str) -> tuple[list[float], str]:
    """Values in the unit that gives them readable numbers."""
    size = max((abs(value) for value in values), default=0.0)
    factor, prefix = next((pair for pair in PREFIXES if size >= pair[0]), (1.0, ""))
    return [value / factor for value in values], f"{prefix}{unit}"


LONG = 200  # shots or cycles, above which not every one of them can be told on an axis


def _round_steps() -> Iterator[int]:
    """1, 2, 5, 10, 20, 50 and so on."""
    return (digit * 10**power for power in count() for digit in (1, 2, 5))


class Drawing(PlotextPlot):
    """One line over one axis, without colour."""

    def __init__(self, ascii_only: bool, **more: Any) -> None:
        super().__init__(**more)
        self.ascii_only = ascii_only
        self.title = ""

    def _begin(self, title: str) -> Any:
        self.title = title
        plt = self.plt
        plt.clear_figure()
        plt.title(plain(title))
        if self.ascii_only:
            plt.frame(False)
            plt.xaxes(False, False)
            plt.yaxes(False, False)
        return plt

    @property
    def _marker(self) -> str:
        return "*" if self.ascii_only else "braille"

    def nothing(self, why: str) -> None:
        """Say why there is no drawing."""
        self._begin(why)
        self.refresh()


class WavePlot(Drawing):
    """One channel of one capture: lowest and highest value of each column."""

    def show(self, capture: Facts, channel: str) -> None:
        one = capture["channels"][channel]
        times, time_unit = scaled(list(one["time_s"]), "s")
        both = [value for pair in zip(one["lowest"], one["highest"], strict=True) for value in pair]
        values, unit = scaled(both, str(one["unit"]))
        plt = self._begin(f"{capture['capture']}: {channel} in {unit}, time in {time_unit}")
        plt.plot([time for time in times for _ in (0, 1)], values, marker=self._marker, color="default")
        self.refresh()


class TrendPlot(Drawing):
    """One result over what is counted, with its limit. The polarity is left out: a limit means the size."""

    def show(self, name: str, points: list[Point], limit: Facts | None, counted: str = "shot") -> None:
        limits = [] if limit is None or limit.get("limit") is None else [float(limit["limit"])]
        sizes = [abs(point.value) for point in points]
        values, unit = scaled([*limits, *sizes], points[0].unit)
        shown = values[len(limits) :]
        words = "" if not limits or limit is None else f", limit {exact(limits[0], limit.get('unit'))}"
        plt = self._begin(f"{plain_name(name)} in {unit} by {counted}{words}")
        shots = [point.shot for point in points]
        plt.scatter(shots, shown, marker="o", color="default")
        if limits:
            plt.hline(values[0], color="default")
        plt.xticks(_some(shots))
        plt.ylim(*_around(values))
        self.refresh()


def _some(shots: list[int], most: int = 12) -> list[int]:
    """At most so many shot numbers for the axis; round ones, where thousands are counted."""
    span = shots[-1] - shots[0]
    if span > LONG:
        step = next(one for one in _round_steps() if span // one < most)
        return list(range(-(-shots[0] // step) * step, shots[-1] + 1, step))
    step = max(1, -(-len(shots) // most))
    return shots[::step]


def _around(values: list[float]) -> tuple[float, float]:
    """Room above and below, also where all values are the same."""
    low, high = min(values), max(values)
    room = 0.1 * (high - low) or 0.1 * abs(high) or 1.0
    return low - room, high + room
