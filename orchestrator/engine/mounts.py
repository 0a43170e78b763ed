"""The counts of every mount of an endurance bench: what was done, what was confirmed, what failed and by which rule.

Commanded, position-confirmed and electrically confirmed operations are counted apart. `done` is what the declared
count means: operations that the specimen has had, whether it did its part (confirmed) or not (a malfunction). A cycle
that the load, the supply, the actuator or the recorder spoilt is discounted: it is repeated and never the specimen's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.diagnosis import FINDINGS, IS_MALFUNCTION

Array = NDArray[Any]
OK, ACTUATOR = FINDINGS.index("ok"), FINDINGS.index("actuator")
_IS_COUNTED = IS_MALFUNCTION | np.array([name == "ok" for name in FINDINGS])


@dataclass(frozen=True)
class Policy:
    """When a mount has failed: at its `times`-th malfunction, in all or in a row."""

    times: int
    in_a_row: bool

    @classmethod
    def of(cls, rule: str, times: int | None) -> Policy:
        """The rule of a sequence: first, nth or consecutive."""
        return cls(1 if rule == "first" else int(times or 1), rule == "consecutive")


class Mounts:
    """Counts as arrays, one place a mount; mount numbers that people see begin with 1."""

    active: Array
    """Which have neither failed nor their count."""
    all_active: bool
    reached: bool
    """Whether no mount has anything left to do."""

    def __init__(self, specimens: Sequence[str], policy: Policy, cycles: int) -> None:
        self.specimens = tuple(specimens)
        self.policy = policy
        self.cycles = cycles
        self.commanded = 0
        self.position_confirmed = 0
        count = len(self.specimens)
        self.malfunctions = np.zeros(count, np.int64)
        self.failed_at = np.zeros(count, np.int64)
        self._done = np.zeros(count, np.int64)
        self._confirmed = np.zeros(count, np.int64)
        self._in_a_row = np.zeros(count, np.int64)
        self._findings = np.zeros((count, len(FINDINGS)), np.int64)
        self._clean = 0  # cycles in which every mount did its part, and that the arrays do not hold yet
        self._retire()

    @property
    def done(self) -> Array:
        """Operations that each specimen has had."""
        self._take_in()
        return self._done

    @property
    def confirmed(self) -> Array:
        """Those in which it did its part."""
        self._take_in()
        return self._confirmed

    @property
    def in_a_row(self) -> Array:
        """Malfunctions without a good operation between them, up to now."""
        self._take_in()
        return self._in_a_row

    @property
    def findings(self) -> Array:
        """How often each of FINDINGS was found, of shape (mounts, findings)."""
        self._take_in()
        return self._findings

    def go_on_from(
        self,
        commanded: int,
        done: Array,
        confirmed: Array,
        findings: Array,
        failed_at: Array,
        in_a_row: Array,
    ) -> None:
        """Take over what an earlier run counted."""
        self.commanded = commanded
        self.position_confirmed = commanded - int(findings[:, ACTUATOR].max())
        self._clean = 0
        self._done, self._confirmed = done.copy(), confirmed.copy()
        self._findings, self.failed_at = findings.copy(), failed_at.copy()
        self.malfunctions = findings[:, IS_MALFUNCTION].sum(axis=1)
        self._in_a_row = in_a_row.copy()
        self._retire()

    def take(self, cycle: int, codes: Array) -> list[int]:
        """Count one cycle's findings (one code a mount); the mounts, from 0, that have failed by it."""
        self.commanded = cycle
        if not np.count_nonzero(codes):  # all of it as it should be, as nearly always
            self._clean += 1
            if self._clean == self._clean_left:
                self._take_in()
            return []
        self._take_in()
        active = self.active
        counted, bad = _IS_COUNTED[codes] & active, IS_MALFUNCTION[codes] & active
        self._done += counted
        self._confirmed += counted & ~bad
        self.malfunctions += bad
        self._findings[active, codes[active]] += 1
        self._in_a_row = np.where(counted, (self._in_a_row + 1) * bad, self._in_a_row)
        reached = self._in_a_row if self.policy.in_a_row else self.malfunctions
        failed = bad & (reached >= self.policy.times)
        self.failed_at[failed] = cycle
        self._retire()
        return [int(each) for each in np.flatnonzero(failed)]

    def _take_in(self) -> None:
        """The cycles since the last time in which all was as it should be."""
        clean, self._clean = self._clean, 0
        if not clean:
            return
        once = clean * self.active
        self._done += once
        self._confirmed += once
        self._findings[:, OK] += once
        self._in_a_row[:] = 0
        self._retire()

    def _retire(self) -> None:
        """Which mounts go on, and how many cycles can pass before one of them has its count."""
        self.active = (self.failed_at == 0) & (self._done < self.cycles)
        going = self._done[self.active]
        self.all_active, self.reached = going.size == self.active.size, not going.size
        self._clean_left = self.cycles - int(going.max()) if going.size else 0

    @property
    def failed(self) -> list[int]:
        """The mounts, from 0, that failed by the policy."""
        return [int(each) for each in np.flatnonzero(self.failed_at)]

    @property
    def least_done(self) -> int:
        """How far the mount is that has done least, of those that go on; of all where none does."""
        return int((self.done[self.active] if self.active.any() else self.done).min())

    def to_json(self) -> list[dict[str, Any]]:
        """One entry a mount, for the journal and the status."""
        return [
            {
                "mount": place + 1,
                "specimen": specimen,
                "cycles": int(self.done[place]),
                "confirmed": int(self.confirmed[place]),
                "malfunctions": int(self.malfunctions[place]),
                "in_a_row": int(self.in_a_row[place]),
                "failed_at": int(self.failed_at[place]) or None,
                "findings": {
                    name: int(count)
                    for name, count in zip(FINDINGS, self.findings[place], strict=True)
                    if count
                },
            }
            for place, specimen in enumerate(self.specimens)
        ]
