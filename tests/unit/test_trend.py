"""The running median and its growth, against numpy over the same values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.analysis.trend import Trend

VALUE = st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")))
VALUES = st.lists(VALUE, max_size=60)


@given(st.integers(1, 12), VALUES)
def test_the_median_of_the_latest(over: int, values: list[float]) -> None:
    trend = Trend(over)
    for value in values:
        trend.add(value)

    first, last = known(values[:over]), known(values[-over:])
    if len(values) < over or len(last) < max(1, over // 2):
        assert np.isnan(trend.medians()) and np.isnan(trend.growths())
        assert not warns(trend, above=-1e9, grows_by=-1e9)
        return
    assert trend.medians() == pytest.approx(np.median(last))
    if len(first) < max(1, over // 2):
        assert np.isnan(trend.growths())
    else:
        assert trend.growths() == pytest.approx(np.median(last) - np.median(first), abs=1e-9)


@given(st.integers(1, 6), st.lists(st.tuples(VALUE, VALUE, VALUE), max_size=20))
def test_each_mount_has_its_own(over: int, values: list[tuple[float, float, float]]) -> None:
    together, alone = Trend(over, 3), [Trend(over) for _ in range(3)]
    for row in values:
        together.add(np.array(row))
        for one, value in zip(alone, row, strict=True):
            one.add(value)
    np.testing.assert_array_equal(together.medians(), [one.medians()[0] for one in alone])


def warns(trend: Trend, above: float | None = None, grows_by: float | None = None) -> bool:
    return bool(trend.over_limit(above, grows_by)[0][0])


def known(values: list[float]) -> list[float]:
    return [value for value in values if not np.isnan(value)]


def test_a_slow_rise_warns_and_one_odd_cycle_does_not() -> None:
    trend = Trend(200)
    for cycle in range(1, 3000):
        trend.add(0.05 + (10.0 if cycle == 500 else 0.0))
    assert not warns(trend, above=0.12, grows_by=0.01)
    warned = 0
    for cycle in range(3000, 20_000):
        trend.add(0.05 + 1e-5 * (cycle - 3000))
        if cycle % 10 == 0 and warns(trend, above=0.12):
            warned = cycle
            break
    assert 10_000 <= warned <= 10_200  # 0.12 is passed at 10,000, the median is half a stretch behind


def test_a_limit_that_is_not_set_never_warns() -> None:
    trend = Trend(1)
    trend.add(1e9)

    assert not warns(trend)
    assert warns(trend, above=1.0) and not warns(trend, grows_by=1.0)


def test_memory_is_that_of_one_stretch() -> None:
    trend = Trend(50)
    for value in range(10_000):
        trend.add(float(value))

    assert trend._latest.shape == (50, 1)
    assert trend.medians() == 9974.5


def test_a_median_of_nothing_is_an_error() -> None:
    with pytest.raises(ValueError, match="over 0 cycles"):
        Trend(0)


@given(st.integers(1, 8), st.lists(st.floats(0, 1), min_size=1, max_size=40), st.data())
def test_what_an_earlier_run_had_is_as_if_it_had_been_taken_one_by_one(
    over: int, values: list[float], data: st.DataObject
) -> None:
    """In as many pieces as there were runs."""
    first = data.draw(st.integers(0, len(values)))
    second = data.draw(st.integers(first, len(values)))
    by_one, gone_on = Trend(over), Trend(over)
    for value in values:
        by_one.add(value)
    gone_on.add_many(np.array(values[:first]), 0)
    gone_on.add_many(np.array(values[first:second]), 0)
    for value in values[second:]:
        gone_on.add(value)

    np.testing.assert_array_equal(gone_on.medians(), by_one.medians())
    np.testing.assert_array_equal(gone_on.first, by_one.first)
