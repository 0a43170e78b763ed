"""What load, supply, actuator and recorder spoil: one cycle is shown and repeated; the same trouble again is a stop."""

from __future__ import annotations

from collections import deque
from typing import Any

from numpy.typing import NDArray

from orchestrator.analysis.diagnosis import FINDINGS, MALFUNCTIONS, recurrence
from orchestrator.core.reasons import Reason

SAME_TROUBLE = 3
REMEMBERED = 16
_REASON_OF = {
    "load_open": Reason.SUPPLY_FAULT,
    "load_partial": Reason.SUPPLY_FAULT,
    "supply_lost": Reason.SUPPLY_FAULT,
    "supply_dip": Reason.SUPPLY_FAULT,
    "actuator": Reason.ACTUATOR_FAULT,
    "not_recorded": Reason.CAPTURE_INVALID,
}


class Troubles:
    """The cycles that were spoilt of late. A malfunction of the specimen is none of them."""

    def __init__(self, banks: int) -> None:
        self._banks = banks
        self._in_a_row = 0
        self._latest: deque[tuple[int, int, str]] = deque(maxlen=REMEMBERED)

    def none(self) -> None:
        """A cycle in which nothing was odd."""
        self._in_a_row = 0

    def take(self, cycle: int, bank: int, codes: NDArray[Any]) -> tuple[Reason, str] | None:
        """A cycle with findings (a code of each mount); why the run has to stop, None as long as it may go on."""
        spoilt = [FINDINGS[code] for code in codes[codes > 0] if FINDINGS[code] not in MALFUNCTIONS]
        if not spoilt:
            return None
        finding = spoilt[0]
        self._in_a_row += 1
        self._latest.append((cycle, bank, finding))
        if self._in_a_row >= SAME_TROUBLE:
            what = f"{self._in_a_row} cycles in a row were spoilt, the last is cycle {cycle}"
            return _REASON_OF[finding], f"{what}: {finding.replace('_', ' ')}"
        return self._at_one_bank(finding)

    def _at_one_bank(self, finding: str) -> tuple[Reason, str] | None:
        same = [cycle for cycle, _, one in self._latest if one == finding]
        if finding not in ("load_open", "load_partial") or len(same) < SAME_TROUBLE:
            return None
        found = recurrence(same, self._banks)
        if found is None:
            return None
        what = f"{finding.replace('_', ' ')} at every {found.period}. cycle since cycle {same[0]}"
        whose = f"bank {found.bank} of {self._banks}, the lamp or its lead, not the contact"
        return Reason.SUPPLY_FAULT, f"{what}: {whose}"
