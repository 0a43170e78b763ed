"""What is decided in the steps between cycles: by the datum, by the terminals' warmth, by the load behind a contact."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.reasons import Reason
from orchestrator.engine.cycle_acts import (
    FALLEN_OFF_K,
    Datum,
    _has_fallen_off,
    _require_load,
    compare_with_datum,
    mounts_words,
)
from orchestrator.engine.stop import BenchFault

STEP: Any = SimpleNamespace(shift_at_most=0.3e-3, force_within=0.2)
DATUM = Datum(touches_mm=-0.05, force_n=48.0)


@given(st.floats(-1, 1), st.floats(0.5, 1.5))
def test_a_signature_is_the_datums_within_shift_and_force_and_nowhere_else(
    shift_mm: float, times: float
) -> None:
    found = Datum(DATUM.touches_mm + shift_mm, DATUM.force_n * times)
    away_mm, part = found.touches_mm - DATUM.touches_mm, found.force_n / DATUM.force_n - 1.0
    if abs(away_mm) > 0.3 or abs(part) > 0.2:
        with pytest.raises(BenchFault) as fault:
            compare_with_datum(found, DATUM, STEP)
        assert fault.value.reason is Reason.ACTUATOR_FAULT
        assert ("it touches" in fault.value.what) == (abs(away_mm) > 0.3)
        assert ("its force" in fault.value.what) == (abs(part) > 0.2)
    else:
        compare_with_datum(found, DATUM, STEP)


def fallen_off(*rises_k: float) -> list[bool]:
    """For one terminal, reading after reading."""
    cycles: Any = SimpleNamespace(warmest_k={})
    return [_has_fallen_off(cycles, "terminal_1", rise_k, 1.5) for rise_k in rises_k]


def test_a_terminal_that_was_warm_and_reads_as_the_air_has_lost_its_thermocouple() -> None:
    assert fallen_off(8.0, 7.0, 0.2, 0.4) == [False, False, True, True]


def test_one_that_was_never_warm_is_cool_and_nothing_else() -> None:
    assert fallen_off(0.1, 0.4, FALLEN_OFF_K - 0.1, 0.2) == [False] * 4


def test_a_warm_terminal_that_cools_down_a_little_is_no_fault() -> None:
    assert fallen_off(9.0, 3.0, 1.6) == [False] * 3


def test_a_reading_that_is_no_number_is_lost() -> None:
    assert fallen_off(float("nan")) == [True]


def a_bench(mounts: int, failed: tuple[int, ...] = ()) -> Any:
    failed_at = np.zeros(mounts, np.int64)
    failed_at[list(failed)] = 7
    return SimpleNamespace(
        each=SimpleNamespace(current=SimpleNamespace(low=3.24, high=3.96, text="3.6 A +-10 %")),
        expected=SimpleNamespace(drop_bad_v=1.2),
        mounts=SimpleNamespace(failed_at=failed_at, specimens=("S",) * mounts),
    )


def test_a_good_contact_without_current_spoils_the_reading_and_the_load_is_named() -> None:
    with pytest.raises(BenchFault, match=r"the load of mount 2 takes 0\.1 A, wanted 3\.6 A") as fault:
        _require_load(a_bench(3), np.array([0.06, 0.0, 0.06]), np.array([3.6, 0.1, 3.6]))
    assert fault.value.reason is Reason.SUPPLY_FAULT


def test_an_open_contact_takes_no_current_and_is_what_is_measured() -> None:
    _require_load(a_bench(2), np.array([24.0, 0.06]), np.array([0.0, 3.6]))


def test_a_mount_that_failed_before_is_not_asked_for_its_load() -> None:
    _require_load(a_bench(2, failed=(1,)), np.array([0.06, 0.0]), np.array([3.6, 0.0]))


def test_mounts_are_named_only_where_there_are_several() -> None:
    assert mounts_words(a_bench(1), np.array([0])) == ""
    assert mounts_words(a_bench(4), np.array([1, 3])) == " of mount 2, 4"
