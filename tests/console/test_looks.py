"""What the API looks up for a screen: a waveform whose peaks survive being thinned out."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.api.looks import thinned
from orchestrator.console.plots import scaled
from orchestrator.record.captures import CaptureChannel


def channel(codes: list[int]) -> CaptureChannel:
    return CaptureChannel("voltage", np.array(codes, dtype=np.int16), "V", 0.5, 1.0, -100.0, 100.0, 12)


@given(st.lists(st.integers(-2000, 2000), min_size=1, max_size=300), st.integers(10, 50))
def test_no_peak_is_lost_and_nothing_is_added(codes: list[int], points: int) -> None:
    one = channel(codes)
    thin = thinned(one, 1e-8, -1e-7, points)
    values = one.values()

    assert max(thin["highest"]) == values.max()
    assert min(thin["lowest"]) == values.min()
    assert len(thin["time_s"]) == len(thin["lowest"]) == len(thin["highest"]) == min(points, len(codes))
    assert thin["time_s"] == sorted(thin["time_s"])
    assert -1e-7 <= thin["time_s"][0] <= thin["time_s"][-1] <= -1e-7 + 1e-8 * (len(codes) - 1) + 1e-15


def test_an_empty_channel_is_empty() -> None:
    assert thinned(channel([]), 1e-8, 0.0, 10)["time_s"] == []


def test_readable_numbers_with_their_prefix() -> None:
    assert scaled([0.0, 1690.0], "V") == ([0.0, 1.69], "kV")
    assert scaled([-10e-6, 90e-6], "s")[1] == "us"
    assert scaled([0.0], "V") == ([0.0], "V")
