"""What is kept of every cycle's figures is what a limit needs, whatever the order and however it was taken over."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.engine.digest import FIGURES, Digest

VALUES = st.one_of(st.floats(0.0, 100.0), st.just(float("nan")))
DROP = list(FIGURES).index("contact_drop")


def one(value: float) -> np.ndarray:
    figures = np.full((len(FIGURES), 1), np.nan)
    figures[DROP] = value
    return figures


@given(st.lists(VALUES, max_size=40))
def test_first_last_smallest_and_largest_are_those_of_the_list(values: list[float]) -> None:
    digest = Digest(1)
    for cycle, value in enumerate(values, 1):
        digest.take(cycle, one(value), np.array([True]))
    there = [(value, cycle) for cycle, value in enumerate(values, 1) if value == value]
    kept = {value.shot: value.value for value in digest.values(0, {}).get("contact_drop", [])}
    expected = {there[0], there[-1], min(there), max(there, key=lambda v: (v[0], -v[1]))} if there else set()
    assert kept == {cycle: value for value, cycle in expected}
    assert digest.count[DROP, 0] == len(there)


@given(st.lists(VALUES, min_size=1, max_size=30), st.lists(VALUES, max_size=10))
def test_taken_over_from_a_ledger_it_is_the_same_as_cycle_by_cycle(
    before: list[float], after: list[float]
) -> None:
    each, over = Digest(1), Digest(1)
    for cycle, value in enumerate([*before, *after], 1):
        each.take(cycle, one(value), np.array([True]))
    figures = np.full((len(FIGURES), len(before)), np.nan)
    figures[DROP] = before
    over.take_many(np.arange(1, len(before) + 1), figures, 0)
    for cycle, value in enumerate(after, len(before) + 1):
        over.take(cycle, one(value), np.array([True]))
    assert each.to_json(0) == over.to_json(0)


@given(st.lists(VALUES, min_size=1, max_size=20), st.lists(VALUES, min_size=1, max_size=20))
def test_a_second_resumption_forgot_the_largest_value_of_the_first_part(
    first: list[float], second: list[float]
) -> None:
    """Each run that belongs to it has a ledger of its own; taken over part by part it is the same as cycle by cycle."""
    each, over = Digest(1), Digest(1)
    for cycle, value in enumerate([*first, *second], 1):
        each.take(cycle, one(value), np.array([True]))
    for part, from_cycle in ((first, 1), (second, len(first) + 1)):
        figures = np.full((len(FIGURES), len(part)), np.nan)
        figures[DROP] = part
        over.take_many(np.arange(from_cycle, from_cycle + len(part)), figures, 0)
    assert each.to_json(0) == over.to_json(0)


def test_a_cycle_that_does_not_count_on_a_mount_leaves_no_figure() -> None:
    digest = Digest(2)
    figures = np.full((len(FIGURES), 2), 0.1)
    digest.take(1, figures, np.array([True, False]))
    assert "contact_drop" in digest.values(0, {})
    assert digest.values(1, {}) == {}
