"""Stopping a run: the first cause is latched, later ones are listed behind it.

Rules
- Any thread, the interlock monitor or a signal may `request` a stop; only the run thread raises it, in `check`.
- `Stopped` is not an `Exception`: nothing that handles a device's error can swallow it.
- Inside `shielded`, `check` is silent: the way to safe is never cut short by the stop that caused it.
"""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from drivers.equipment.protocols import InstrumentFault
from drivers.links.base import LinkFault
from orchestrator.core.reasons import Cause, Reason
from orchestrator.record.store import StorageFault


class Stopped(BaseException):
    """The run is to end because of `cause`, the first one."""

    def __init__(self, cause: Cause) -> None:
        super().__init__(cause.what)
        self.cause = cause


class BenchFault(Exception):
    """The bench did not do what it was told: a fault with a reason of the closed list, never the specimen's."""

    def __init__(self, reason: Reason, what: str) -> None:
        super().__init__(what)
        self.reason = reason
        self.what = what


# One such state goes on until it is over: seen again from another place, it is no further cause.
_LASTING = (Reason.OFF_NOT_PROVEN, Reason.MONITOR_LOST, Reason.ABORT_BY_PERSON)


def _same(earlier: Cause, cause: Cause) -> bool:
    return earlier.reason is cause.reason and (earlier.what == cause.what or cause.reason in _LASTING)


class Stop:
    """The latch of one run."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._lock = threading.Lock()
        self._causes: list[Cause] = []
        self._shields = 0
        self.wake = threading.Event()
        self.pause_asked_by: str | None = None
        self.resumed_by: str | None = None
        self.resumed_in_spite_of: dict[str, Any] | None = None
        """A calibration that lapsed in the pause and that a person set aside: the facts of its line in the journal."""

    @property
    def first(self) -> Cause | None:
        return self._causes[0] if self._causes else None

    @property
    def later(self) -> tuple[Cause, ...]:
        return tuple(self._causes[1:])

    def request(self, cause: Cause) -> bool:
        """Latch `cause`; True when it is the first one. The same cause twice is one cause."""
        with self._lock:
            if any(_same(earlier, cause) for earlier in self._causes):
                return False
            self._causes.append(cause)
            first = len(self._causes) == 1
        self.wake.set()
        return first

    def because(self, reason: Reason, what: str, who: str | None = None) -> bool:
        """Latch a cause noticed now."""
        return self.request(Cause(reason, what, self._now_s(), who))

    def check(self) -> None:
        """Raise Stopped with the first cause, unless shielded."""
        if self._causes and not self._shields:
            raise Stopped(self._causes[0])

    @contextmanager
    def shielded(self) -> Iterator[None]:
        """For the way to safe and for saving what already happened."""
        self._shields += 1
        try:
            yield
        finally:
            self._shields -= 1

    @contextmanager
    def latching(self) -> Iterator[None]:
        """Turn any error of the body into a latched cause; the first cause is the one raised."""
        try:
            yield
        except Stopped:
            raise
        except Exception as error:
            self.request(cause_of(error, self._now_s()))
            raise self._stopped() from error

    def _stopped(self) -> Stopped:
        return Stopped(self._causes[0])


def cause_of(error: Exception, at_s: float) -> Cause:
    """The cause that an error stands for: the bench, the record, or our own bug."""
    if isinstance(error, BenchFault):
        return Cause(error.reason, error.what, at_s)
    if isinstance(error, LinkFault | InstrumentFault):
        return Cause(Reason.INSTRUMENT_FAULT, str(error), at_s)
    if isinstance(error, StorageFault):
        return Cause(Reason.STORAGE_FAULT, str(error), at_s)
    trace = "".join(traceback.format_exception(error))
    return Cause(Reason.INTERNAL_ERROR, f"{type(error).__name__}: {error}", at_s, None, {"traceback": trace})
