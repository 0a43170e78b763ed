"""Cycles that were spoilt: when the run goes on, when it stops, and whom it names."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.analysis.diagnosis import FINDINGS
from orchestrator.core.reasons import Reason
from orchestrator.engine.cycle_trouble import Troubles


def codes(*findings: str) -> np.ndarray:
    """A cycle's findings, one of each mount."""
    return np.array([FINDINGS.index(finding) for finding in findings], np.uint8)


def test_three_spoilt_cycles_in_a_row_stop_the_run_and_the_last_is_named() -> None:
    troubles = Troubles(banks=1)
    assert troubles.take(5, 1, codes("supply_dip")) is None
    assert troubles.take(6, 1, codes("supply_dip")) is None
    assert troubles.take(7, 1, codes("supply_lost")) == (
        Reason.SUPPLY_FAULT,
        "3 cycles in a row were spoilt, the last is cycle 7: supply lost",
    )


def test_a_good_cycle_in_between_begins_anew() -> None:
    troubles = Troubles(banks=1)
    for cycle in range(5, 50, 3):
        assert troubles.take(cycle, 1, codes("not_recorded")) is None
        assert troubles.take(cycle + 1, 1, codes("not_recorded")) is None
        troubles.none()


@pytest.mark.parametrize("finding", ["fail_to_make", "fail_to_break", "high_resistance"])
def test_what_the_specimen_did_is_no_trouble_of_the_bench(finding: str) -> None:
    troubles = Troubles(banks=4)
    assert [troubles.take(cycle, cycle % 4 + 1, codes(finding, "ok")) for cycle in range(1, 30)] == [
        None
    ] * 29


def test_the_same_bank_turn_after_turn_is_named_although_others_are_good() -> None:
    troubles = Troubles(banks=4)
    said = []
    for cycle in range(1, 16):
        bank = (cycle - 1) % 4 + 1
        if bank == 3:
            said.append(troubles.take(cycle, bank, codes("load_open")))
        else:
            troubles.none()
    assert said[:2] == [None, None]
    stopped = said[2]
    assert stopped is not None
    assert stopped[0] is Reason.SUPPLY_FAULT
    assert stopped[1].startswith("load open at every 4. cycle since cycle 3: bank 3 of 4,")
