"""Counts of mounts: what was commanded is done, discounted or spoilt, and a mount fails by its own rule alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.analysis.diagnosis import FINDINGS, MALFUNCTIONS
from orchestrator.engine.mounts import Mounts, Policy

CODES = st.integers(0, len(FINDINGS) - 1)
BAD = {FINDINGS.index(name) for name in MALFUNCTIONS}
FAIL, OK, LOAD = FINDINGS.index("fail_to_make"), FINDINGS.index("ok"), FINDINGS.index("load_open")


def mounts(policy: Policy, count: int = 1, cycles: int = 10_000) -> Mounts:
    return Mounts([f"S-{place + 1}" for place in range(count)], policy, cycles)


def run(policy: Policy, codes: list[int], cycles: int = 10_000) -> Mounts:
    counted = mounts(policy, cycles=cycles)
    for cycle, code in enumerate(codes, 1):
        counted.take(cycle, np.array([code], np.uint8))
    return counted


@given(st.lists(st.lists(CODES, min_size=3, max_size=3), max_size=60), st.integers(1, 5), st.booleans())
def test_every_cycle_is_confirmed_a_malfunction_or_discounted(
    rows: list[list[int]], times: int, in_a_row: bool
) -> None:
    counted = mounts(Policy(times, in_a_row), count=3)
    for cycle, codes in enumerate(rows, 1):
        counted.take(cycle, np.array(codes, np.uint8))
    assert (counted.done == counted.confirmed + counted.malfunctions).all()
    assert (counted.confirmed == counted.findings[:, OK]).all()
    for place in range(3):
        end = int(counted.failed_at[place]) or len(rows)
        assert counted.findings[place].sum() == end


@given(st.lists(CODES, max_size=80), st.integers(1, 6), st.booleans())
def test_a_mount_fails_at_the_cycle_that_its_rule_names(codes: list[int], times: int, in_a_row: bool) -> None:
    row = total = failed_at = 0
    for cycle, code in enumerate(codes, 1):
        if code in BAD:
            row, total = row + 1, total + 1
            if (row if in_a_row else total) >= times:
                failed_at = cycle
                break
        elif code == OK:
            row = 0
    assert int(run(Policy(times, in_a_row), codes).failed_at[0]) == failed_at


def test_a_lamp_between_two_malfunctions_does_not_break_the_row_and_is_not_counted() -> None:
    counted = run(Policy(2, in_a_row=True), [FAIL, LOAD, FAIL])
    assert int(counted.failed_at[0]) == 3
    assert int(counted.done[0]) == 2


def test_a_mount_that_reached_its_count_is_not_counted_further() -> None:
    counted = run(Policy(1, in_a_row=False), [OK] * 5, cycles=3)
    assert int(counted.done[0]) == 3
    assert counted.reached
    assert not counted.failed


@pytest.mark.parametrize(
    ("rule", "times", "policy"),
    [("first", None, Policy(1, False)), ("nth", 6, Policy(6, False)), ("consecutive", 2, Policy(2, True))],
)
def test_the_rules_of_the_language(rule: str, times: int | None, policy: Policy) -> None:
    assert Policy.of(rule, times) == policy
