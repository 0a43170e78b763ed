"""A trend warns once for each mount, before the limit, and never of a cycle alone."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from orchestrator.engine.digest import FIGURES
from orchestrator.engine.trends import MOST_POINTS, Shown, TrendLimit

DROP = list(FIGURES).index("contact_drop")


def figures(*drops: float) -> np.ndarray:
    values = np.full((len(FIGURES), len(drops)), np.nan)
    values[DROP] = drops
    return values


def warned(trend: TrendLimit, drops: list[float]) -> list[int]:
    """The cycles, from 1, at which something was warned of."""
    return [cycle for cycle, drop in enumerate(drops, 1) if trend.take(figures(drop))]


def rule(warn_above: float | None = None, grows_by: float | None = None, over: int = 20) -> SimpleNamespace:
    return SimpleNamespace(result="contact_drop", warn_above=warn_above, grows_by=grows_by, over=over)


def test_a_slow_rise_is_warned_of_once_and_within_two_windows_of_the_crossing() -> None:
    drops = [0.05 + 0.001 * cycle for cycle in range(200)]
    cycles = warned(TrendLimit(rule(warn_above=0.12), 1), drops)
    assert len(cycles) == 1
    assert 70 <= cycles[0] <= 70 + 2 * 20


def test_single_outliers_are_not_warned_of() -> None:
    drops = [0.5 if cycle % 7 == 0 else 0.05 for cycle in range(300)]
    assert warned(TrendLimit(rule(warn_above=0.12), 1), drops) == []


def test_growth_counts_from_the_first_window() -> None:
    drops = [0.10] * 60 + [0.14] * 60
    assert warned(TrendLimit(rule(grows_by=0.03), 1), drops) != []
    assert warned(TrendLimit(rule(grows_by=0.05), 1), drops) == []


def test_each_mount_is_warned_of_by_its_own_figures() -> None:
    trend = TrendLimit(rule(warn_above=0.12), 2)
    places = {place for _ in range(60) for place, _ in trend.take(figures(0.05, 0.2))}
    assert places == {1}


def test_a_window_with_hardly_a_figure_says_nothing() -> None:
    trend = TrendLimit(rule(warn_above=0.12), 1)
    drops = [0.5 if cycle % 3 == 0 else np.nan for cycle in range(120)]
    assert warned(trend, drops) == []


def test_what_is_drawn_stays_small_and_spans_the_whole_run() -> None:
    shown = Shown("contact_drop")
    for cycle in range(1, 20_001):
        shown.take(cycle, figures(cycle * 1e-5))
    points = shown.to_json()["points"]
    assert MOST_POINTS // 4 < len(points) <= MOST_POINTS
    assert points[0][0] < 500
    assert points[-1][0] > 19_000
    assert all(value == cycle * 1e-5 for cycle, value in points)


def test_after_a_resumption_the_drawing_began_anew() -> None:
    """What is drawn of a run that goes on begins at its first cycle, the worst of its mounts at each."""
    shown, earlier = Shown("contact_drop"), np.arange(1, 31_417)
    for mount, drop in enumerate((0.05, 0.07)):
        values = np.full((len(FIGURES), earlier.size), np.nan)
        values[DROP] = drop
        shown.take_many(earlier, values, mount)
    for cycle in range(31_417, 32_001):
        shown.take(cycle, figures(0.06, 0.08))
    points = shown.to_json()["points"]

    assert len(points) < MOST_POINTS
    assert points == sorted(points)
    assert points[0][0] < 500
    assert {value for cycle, value in points if cycle <= 31_416} == {0.07}
    assert {value for cycle, value in points if cycle > 31_416} == {0.08}
