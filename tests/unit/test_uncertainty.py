"""Combining contributions: sizes, degrees of freedom, coverage factor, what is printed and stored."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.analysis.coverage_factor import Shape, t_factor
from orchestrator.analysis.uncertainty import (
    Budget,
    Contribution,
    combine,
    coverage_factor,
    effective_dof,
    nothing,
    propagate,
    within,
)


def budget(*contributions: Contribution, **more: float) -> Budget:
    return combine(100.0, "V", contributions, **more)  # type: ignore[arg-type]


def test_independent_contributions_add_in_squares() -> None:
    both = budget(Contribution("a", 3.0, 1.0), Contribution("b", 2.0, -2.0))

    assert both.combined == pytest.approx(5.0)
    assert both.share("a") == pytest.approx(9 / 25)
    assert both.expanded == pytest.approx(both.coverage_factor * 5.0)


@pytest.mark.parametrize(("r", "combined"), [(1.0, 7.0), (-1.0, 1.0), (0.0, 5.0)])
def test_correlated_contributions_add_or_cancel(r: float, combined: float) -> None:
    parts = (Contribution("a", 3.0, 1.0), Contribution("b", 4.0, 1.0))

    assert combine(0.0, "V", parts, {("a", "b"): r}).combined == pytest.approx(combined)


def test_limits_become_standard_uncertainties() -> None:
    assert within("a", 3.0, 1.0, "").standard_uncertainty == pytest.approx(math.sqrt(3.0))
    assert within("a", -6.0, 1.0, "", shape="triangular").standard_uncertainty == pytest.approx(
        math.sqrt(6.0)
    )


@pytest.mark.parametrize(
    ("contribution", "at_95"),
    [
        (Contribution("a", 1.0, 1.0), 1.959964),
        (within("a", 1.0, 1.0, ""), 0.95 * math.sqrt(3.0)),  # 95 % of the half-width
        (within("a", 1.0, 1.0, "", shape="triangular"), (1 - math.sqrt(0.05)) * math.sqrt(6.0)),
        (Contribution("a", 1.0, 1.0, 10.0), 2.228139),
    ],
)
def test_a_single_contribution_gives_the_coverage_factor_of_its_shape(
    contribution: Contribution, at_95: float
) -> None:
    assert budget(contribution, coverage_probability=0.95).coverage_factor == pytest.approx(at_95, rel=1e-5)


def test_the_usual_coverage_factor_is_two() -> None:
    assert budget(Contribution("a", 1.0, 1.0)).coverage_factor == pytest.approx(2.0, abs=1e-4)


@pytest.mark.parametrize("shape", ["rectangular", "triangular"])
@pytest.mark.parametrize("rest", [0.1, 0.3, 1.0, 3.0])
def test_the_coverage_factor_of_a_mixture_covers_what_it_claims(shape: Shape, rest: float) -> None:
    drawn = np.random.default_rng(7)
    parts = (Contribution("a", 1.0, 1.0, shape=shape), Contribution("b", rest, 1.0))
    mixed = combine(0.0, "V", parts, None, 0.95)
    half = math.sqrt(3.0) if shape == "rectangular" else math.sqrt(6.0)
    limited = drawn.uniform(-half, half, 200_000)
    if shape == "triangular":
        limited = drawn.triangular(-half, 0.0, half, 200_000)
    total = limited + rest * drawn.standard_normal(200_000)

    assert np.mean(np.abs(total) <= mixed.expanded) == pytest.approx(0.95, abs=0.002)


def test_two_equal_rectangular_contributions_are_covered_too() -> None:
    drawn = np.random.default_rng(8)
    parts = (within("a", 1.0, 1.0, ""), within("b", 1.0, 1.0, ""))
    expanded = combine(0.0, "V", parts, None, 0.95).expanded
    total = drawn.uniform(-1, 1, (2, 200_000)).sum(axis=0)

    assert 0.95 <= np.mean(np.abs(total) <= expanded) < 0.965


def test_few_readings_widen_the_interval() -> None:
    few = budget(Contribution("a", 1.0, 1.0, 4.0), Contribution("b", 0.5, 1.0))

    assert few.effective_dof == pytest.approx(4.0 * (1.25**2))
    assert few.coverage_factor == pytest.approx(t_factor(6, 0.9545), rel=1e-6)  # 6.25 truncated
    assert "t with 6 degrees of freedom" in few.coverage_from


def test_the_budget_says_what_dominates() -> None:
    dominated = budget(within("gain", 1.0, 1.0, ""), Contribution("noise", 0.1, 1.0))

    assert dominated.coverage_from == "rectangular, dominated by gain"
    assert 1.64 < dominated.coverage_factor < 1.70


def test_a_contribution_without_effect_is_stated_with_its_reason() -> None:
    stated = budget(Contribution("noise", 0.1, 1.0), nothing("offset", "the baseline removes it"))

    assert stated.combined == pytest.approx(0.1)
    assert stated.share("offset") == 0.0
    row = next(line for line in stated.table().splitlines() if line.startswith("offset"))
    assert "0 V" in row
    assert row.endswith("the baseline removes it")


def test_nothing_uncertain_is_a_budget_of_zero() -> None:
    none = budget(nothing("gain", "a count"))

    assert (none.combined, none.expanded, none.share("gain")) == (0.0, 0.0, 0.0)


def test_leaving_out_a_contribution_leaves_the_rest() -> None:
    both = budget(Contribution("a", 3.0, 1.0), Contribution("b", 4.0, 1.0))

    assert both.without("b").combined == pytest.approx(3.0)


def test_the_record_keeps_every_line_in_plain_data() -> None:
    kept = budget(within("gain", 0.01, 100.0, "bench file"), nothing("offset", "removed")).to_json()

    again = json.loads(json.dumps(kept, allow_nan=False))
    assert again["effective_degrees_of_freedom"] is None
    assert again["expanded_uncertainty"] == pytest.approx(again["coverage_factor"] / math.sqrt(3.0))
    assert [line["name"] for line in again["contributions"]] == ["gain", "offset"]
    assert again["contributions"][0]["in_result"] == pytest.approx(1.0 / math.sqrt(3.0))
    assert again["contributions"][1]["why"] == "removed"


def test_the_table_has_a_line_for_each_contribution_and_the_result() -> None:
    parts = (
        Contribution("noise", 0.5, 1.0, 40.0, why="baseline", unit="V"),
        within("gain", 0.01, 100.0, "file"),
    )
    table = combine(100.0, "V", parts).table()

    assert table.splitlines()[0].split() == [
        "contribution",
        "u",
        "shape",
        "dof",
        *["sensitivity", "in", "result", "share", "why"],
    ]
    assert table.splitlines()[2].split()[:5] == ["noise", "0.5", "V", "normal", "40"]
    assert "expanded uncertainty 1.5 V, k = 1.94 for 95.45 % (rectangular, dominated by gain" in table


@pytest.mark.parametrize(
    "wrong",
    [
        {"standard_uncertainty": -1.0},
        {"standard_uncertainty": math.nan},
        {"sensitivity": math.inf},
        {"degrees_of_freedom": 0.0},
        {"degrees_of_freedom": math.nan},
    ],
)
def test_an_impossible_contribution_is_refused_by_name(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="gain"):
        Contribution(**{"name": "gain", "standard_uncertainty": 1.0, "sensitivity": 1.0, **wrong})  # type: ignore[arg-type]


@pytest.mark.parametrize("pairs", [{("a", "x"): 0.5}, {("a", "a"): 0.5}, {("a", "b"): 1.5}])
def test_impossible_correlations_are_refused(pairs: dict[tuple[str, str], float]) -> None:
    with pytest.raises(ValueError, match="correlation"):
        combine(0.0, "V", (Contribution("a", 1.0, 1.0), Contribution("b", 1.0, 1.0)), pairs)


def test_a_name_appears_once() -> None:
    with pytest.raises(ValueError, match="once"):
        budget(Contribution("a", 1.0, 1.0), Contribution("a", 1.0, 1.0))


def test_an_impossible_coverage_probability_is_refused() -> None:
    with pytest.raises(ValueError, match="coverage probability"):
        coverage_factor((), 1.0, math.inf, 1.0)


u_values = st.lists(st.floats(min_value=1e-3, max_value=1e3), min_size=1, max_size=6)


@given(u_values, st.floats(min_value=1.0, max_value=100.0))
def test_effective_dof_lie_between_the_smallest_and_the_sum(sizes: list[float], dof: float) -> None:
    found = effective_dof([(u, dof) for u in sizes])

    assert dof * (1 - 1e-9) <= found <= dof * len(sizes) * (1 + 1e-9)


@given(u_values, st.sampled_from(["normal", "rectangular", "triangular"]))
def test_the_coverage_factor_lies_between_rectangular_and_normal(sizes: list[float], shape: Shape) -> None:
    parts = tuple(Contribution(str(i), u, 1.0, shape=shape) for i, u in enumerate(sizes))

    assert 1.65 < combine(0.0, "V", parts).coverage_factor < 2.0002


@given(u_values)
def test_propagation_agrees_with_the_root_sum_of_squares(sizes: list[float]) -> None:
    covariance = np.diag(np.square(sizes))

    assert propagate(np.ones((1, len(sizes))), covariance)[0, 0] == pytest.approx(sum(u * u for u in sizes))
