"""Time as the run sees it: clocks of the two worlds, and what every wait and every link slice does.

Only the run thread renews the interlock monitor, here and nowhere else, and only while energised: a run that
hangs stops renewing, and the monitor cuts.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Protocol

from orchestrator.core.reasons import Cause, Reason
from orchestrator.engine.stop import Stop

SLICE_S = 0.05
CLOCK_STEP_S = 0.5


class Clock(Protocol):
    """A monotonic clock, UTC stamps, and a way to let time pass."""

    def now_s(self) -> float: ...

    def utc(self) -> datetime: ...

    def utc_minus_monotonic_s(self) -> float:
        """Seconds of UTC since 1970 less those of `now_s`: constant but for a clock that is set."""

    def rest(self, until_s: float, wake: threading.Event) -> None:
        """Let time pass until `until_s`, or less when something happens earlier."""


class RealClock:
    """The computer's own time."""

    def now_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def utc_minus_monotonic_s(self) -> float:
        return time.time() - time.monotonic()

    def rest(self, until_s: float, wake: threading.Event) -> None:
        left_s = max(0.0, min(until_s - time.monotonic(), SLICE_S))
        if wake.is_set():
            time.sleep(left_s)  # the stop was seen already: this is a wait on the way to safe
        else:
            wake.wait(left_s)


class Watch(Protocol):
    """What the pace needs of the interlock monitor's port."""

    def renew(self) -> None: ...

    def cause(self) -> Cause | None: ...

    def lost(self) -> bool: ...


class Pace:
    """Waiting, for a run: every slice renews while energised, looks at the monitor and at the stop."""

    def __init__(self, clock: Clock, stop: Stop, watch: Watch) -> None:
        self.clock = clock
        self.now_s: Callable[[], float] = clock.now_s
        self.stop = stop
        self.watch = watch
        self._energised = False
        self._offset_s = clock.utc_minus_monotonic_s()
        self.on_slice: list[Callable[[], None]] = []
        self.on_clock_step: Callable[[float], None] | None = None
        self.on_wait: Callable[[], None] = lambda: None  # called as a wait begins

    @property
    def is_energised(self) -> bool:
        return self._energised

    @contextmanager
    def energised(self) -> Iterator[None]:
        """While this lasts, slices renew the monitor."""
        self._energised = True
        self.watch.renew()
        try:
            yield
        finally:
            self._energised = False

    def slice(self) -> None:
        """One look round: called by every wait and every blocked link call, at least each 100 ms."""
        if self._energised:
            self.watch.renew()
        cause = self.watch.cause()
        if cause is not None:
            self.stop.request(cause)
        elif self.watch.lost():
            what = "no fresh word from the interlock monitor for 250 ms"
            self.stop.because(Reason.MONITOR_LOST, what)
        offset_s = self.clock.utc_minus_monotonic_s()
        if not -CLOCK_STEP_S <= offset_s - self._offset_s <= CLOCK_STEP_S:
            self._clock_stepped(offset_s)
        for call in self.on_slice:
            call()
        self.stop.check()

    def wait_until(self, until_s: float) -> None:
        """Wait by the monotonic clock. Raises Stopped with the latched cause."""
        self.on_wait()
        self._wait_until(until_s)

    def _wait_until(self, until_s: float) -> None:
        self.slice()
        while self.clock.now_s() < until_s:
            self.clock.rest(until_s, self.stop.wake)
            self.slice()

    def wait_for(self, true: Callable[[], bool], within_s: float, every_s: float = 0.0) -> bool:
        """Wait until something is true; False when it was not within the time.

        It is looked at whenever something happened, at least each slice; `every_s` keeps a costly look rare.
        """
        self.on_wait()
        deadline_s = self.clock.now_s() + within_s
        while not true():
            now_s = self.clock.now_s()
            if now_s >= deadline_s:
                return False
            if every_s:
                self._wait_until(min(deadline_s, now_s + every_s))
            else:
                self.clock.rest(deadline_s, self.stop.wake)
                self.slice()
        return True

    def _clock_stepped(self, offset_s: float) -> None:
        step_s, self._offset_s = offset_s - self._offset_s, offset_s
        if self.on_clock_step is not None:
            self.on_clock_step(step_s)
