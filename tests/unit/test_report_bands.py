"""Drawing a long series together: no extreme value is lost, and the size does not grow with the series."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.report.bands import MOST_BINS, bands

series = st.lists(st.tuples(st.integers(1, 5000), st.floats(-1e3, 1e3) | st.just(float("nan"))), max_size=200)


@settings(deadline=None)
@given(series, st.integers(1, 40))
def test_every_value_lies_in_its_band_and_the_extremes_are_kept(
    drawn: list[tuple[int, float]], bins: int
) -> None:
    cycle = np.array([one for one, _ in drawn], np.int64)
    values = np.array([value for _, value in drawn])
    found = bands(cycle, values, bins)
    finite = values[np.isfinite(values)]
    assert len(found.at) <= bins
    assert (found.smallest <= found.median).all()
    assert (found.median <= found.largest).all()
    if len(finite):
        assert (found.smallest.min(), found.largest.max()) == (finite.min(), finite.max())
        assert (np.diff(found.at) > 0).all()
    else:
        assert len(found.at) == 0


def test_few_cycles_are_drawn_as_they_are() -> None:
    cycle = np.arange(11, 21)
    found = bands(cycle, cycle * 0.1)
    assert np.allclose(found.at, cycle)
    assert np.allclose(found.median, cycle * 0.1)


def test_a_hundred_thousand_cycles_of_many_mounts_make_few_points() -> None:
    cycle = np.repeat(np.arange(1, 20_001), 8)
    values = np.full(len(cycle), 0.08)
    values[77_777] = 0.3
    found = bands(cycle, values)
    assert len(found.at) == MOST_BINS
    assert found.largest.max() == 0.3
    assert (np.median(found.median), found.smallest.min()) == (0.08, 0.08)
