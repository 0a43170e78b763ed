"""The running median and its growth, against numpy over the same values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.analysis.trend import Trend

VALUES = st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), max_size=60)


@given(st.integers(1, 12), VALUES)
def test_the_median_of_the_latest(over: int, values: list[float]) -> None:
    trend = Trend(over)
    for value in values:
        trend.add(value)

    known = [value for value in values if not np.isnan(value)]
    if len(known) < over:
        assert trend.median is None and trend.growth is None
        assert not trend.warns(above=-1e9, grows_by=-1e9)
    else:
        assert trend.median == pytest.approx(np.median(known[-over:]))
        growth = np.median(known[-over:]) - np.median(known[:over])
        assert trend.growth == pytest.approx(growth, abs=1e-9)


def test_a_slow_rise_warns_and_one_odd_cycle_does_not() -> None:
    trend = Trend(200)
    for cycle in range(1, 3000):
        trend.add(0.05 + (10.0 if cycle == 500 else 0.0))
    assert not trend.warns(above=0.12, grows_by=0.01)
    warned = next(
        cycle
        for cycle in range(3000, 20_000)
        if trend.add(0.05 + 1e-5 * (cycle - 3000)) or trend.warns(above=0.12)
    )
    assert 10_000 <= warned <= 10_200  # 0.12 is passed at 10,000, the median is half a stretch behind


def test_a_limit_that_is_not_set_never_warns() -> None:
    trend = Trend(1)
    trend.add(1e9)

    assert not trend.warns()
    assert trend.warns(above=1.0) and not trend.warns(grows_by=1.0)


def test_memory_is_that_of_one_stretch() -> None:
    trend = Trend(50)
    for value in range(10_000):
        trend.add(float(value))

    assert (len(trend._latest), len(trend._sorted)) == (50, 50)


def test_a_median_of_nothing_is_an_error() -> None:
    with pytest.raises(ValueError, match="over 0 cycles"):
        Trend(0)
