"""Which statement is made when, and its words."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.analysis.lifetime import (
    Proportion,
    SuccessRun,
    WeibullEstimate,
    specimens_needed,
    statement,
    weibull,
)


def test_no_failure_is_a_success_run_over_the_shortest_life() -> None:
    found = statement([18_000, 17_500, 18_000], [False] * 3, 0.9)

    assert isinstance(found, SuccessRun)
    assert (found.cycles, found.specimens) == (17_500, 3)
    assert found.reliability == pytest.approx(0.1 ** (1 / 3))
    assert "at least 46.4 % of all last 17500 cycles" in found.in_words


def test_one_failure_has_no_shape() -> None:
    found = statement([9000, 18_000, 18_000], [True, False, False])

    assert isinstance(found, Proportion)
    assert found.in_words.startswith("1 of 3 specimens failed")


def test_failures_at_one_and_the_same_count_have_none_either() -> None:
    assert isinstance(statement([9000, 9000, 18_000], [True, True, False]), Proportion)


def test_several_failures_are_a_weibull_estimate_that_counts_the_whole() -> None:
    found = statement([9000, 12_000, 18_000, 18_000], [True, True, False, False])

    assert isinstance(found, WeibullEstimate)
    without = weibull([9000.0, 12_000.0])
    assert found.scale_cycles > 1.3 * without.scale_cycles
    assert "2 failures and 2 suspensions" in found.in_words


@pytest.mark.parametrize(
    ("cycles", "failed", "confidence", "words"),
    [
        ([], [], 0.9, "no specimens"),
        ([1], [], 0.9, "no specimens"),
        ([0, 5], [False, False], 0.9, "without cycles"),
        ([5], [False], 1.0, "confidence 1.0"),
    ],
)
def test_what_says_nothing_is_an_error(
    cycles: list[int], failed: list[bool], confidence: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        statement(cycles, failed, confidence)


def test_a_share_outside_0_to_1_is_an_error() -> None:
    with pytest.raises(ValueError, match="reliability"):
        specimens_needed(1.0, 0.9)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.6, 5.0), st.floats(1e2, 1e6), st.integers(0, 1000))
def test_a_known_distribution_is_found_again(shape: float, scale: float, seed: int) -> None:
    """Within five times the standard error of large samples."""
    lives = scale * np.random.default_rng(seed).weibull(shape, 400)
    end = float(np.quantile(lives, 0.7))
    found = weibull(lives[lives <= end], np.full(int((lives > end).sum()), end), 0.9999994)

    assert found.shape_interval[0] < shape < found.shape_interval[1]
    assert found.scale_interval[0] < scale < found.scale_interval[1]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 10**6), st.booleans()), min_size=1, max_size=12))
def test_any_specimens_get_a_finite_statement(specimens: list[tuple[int, bool]]) -> None:
    found = statement([cycles for cycles, _ in specimens], [failed for _, failed in specimens])

    assert "nan" not in found.in_words and "inf" not in found.in_words
