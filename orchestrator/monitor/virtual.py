"""The monitor in the virtual world: evaluated when inputs change, at deadlines and on requests, not polled.

Polls are thought of as a grid of `poll_s` with a seeded phase: what happens between two of them is seen at the next.
"""

from __future__ import annotations

import math
import random
import threading
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from orchestrator.core.interlock import Reading
from orchestrator.core.reasons import Cause
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.port import LOST_AFTER_S, Snapshot
from orchestrator.monitor.safety_io import FAULTS, SafetyIo
from orchestrator.monitor.values import Reply, Request

MOST_EVENTS = 10_000
LOOK_EVERY_S = 0.05


class WorldClock(Protocol):
    """The fake clock: `rest` lets the world live until `until_s` or until something happens."""

    def now_s(self) -> float: ...

    def rest(self, until_s: float, wake: threading.Event) -> None: ...


class VirtualPort:
    """The engine's port and the world's actor in one.

    The world calls `changed` when an input, a feedback or the link of the safety I/O changed, and `run` when `due_s`
    has come. The first turn writes the safe state.
    """

    def __init__(self, monitor: Monitor, io: SafetyIo, clock: WorldClock, seed: int = 0) -> None:
        self.monitor = monitor
        self._io = io
        self._clock = clock
        self._poll_s = monitor.rules.poll_s
        self._phase_s = self._poll_s * (1.0 - random.Random(seed).random())
        self._due_s = clock.now_s()
        self._polled_s = -math.inf
        self._busy = False
        self._to_be_seen = False
        self._link_ok = False
        self._written: tuple[bool, ...] | None = None
        self._asked = 0
        self._replies: dict[int, Reply] = {}
        self._events: deque[dict[str, Any]] = deque(maxlen=MOST_EVENTS)
        self._snapshot: Snapshot | None = None

    # ---- the world's side

    def due_s(self) -> float:
        """When the next poll is that would see or decide something new."""
        return math.inf if self._busy else self._due_s

    def changed(self, now_s: float) -> None:
        """Something that a poll can see changed."""
        self._to_be_seen = True
        self._due_s = min(self._due_s, self._next_poll_s(now_s))

    def run(self, now_s: float) -> None:
        """The poll at `now_s`; none where what it was to decide is due later by now and there is nothing to see."""
        due_s = self.monitor.next_due_s()
        quiet = self._link_ok and not self._to_be_seen and not self.monitor.looks_for_proof
        if quiet and self._written is not None and due_s > now_s:
            self._due_s = math.inf
            self._plan(due_s)
        else:
            self._turn([])

    def coast(self, until_s: float) -> bool:
        """Nothing is asked and the run rests until then: what is renewed on the way is renewed at once.

        Inputs that change are seen as ever. False where the link is lost, something is being worked on, or a change is
        yet to be seen by a poll.
        """
        if self._busy or self._to_be_seen or not self._link_ok or self.monitor.cause is not None:
            return False
        self._due_s = math.inf
        self._plan(self.monitor.renewed_all_the_way(until_s))
        return True

    # ---- the engine's side

    def renew(self) -> None:
        self.monitor.renewed(self._clock.now_s())

    def snapshot(self) -> Snapshot:
        """What the poll before now saw; voltages move without an event, so a poll is made where one was skipped."""
        if not self._busy and self._clock.now_s() - self._polled_s >= self._poll_s:
            self._turn([])
        if self._snapshot is None:
            self._snapshot = Snapshot.from_json(self.monitor.snapshot())
        return self._snapshot

    def ask(self, act: str, timeout_s: float, on_slice: Callable[[], None], **args: Any) -> Reply:
        until_s = self._clock.now_s() + timeout_s
        self._asked += 1
        asked = self._asked
        self._turn([{"id": asked, "act": act, **args}])
        wake = threading.Event()
        while asked not in self._replies:
            if self._clock.now_s() >= until_s:
                return Reply(asked, False, f"the interlock monitor did not answer within {timeout_s:g} s")
            self._clock.rest(until_s, wake)
            on_slice()
        return self._replies.pop(asked)

    def tell(self, request: Request) -> None:
        """Hand the monitor a request that wants no reply."""
        self._turn([request])

    def cause(self) -> Cause | None:
        return self.monitor.cause

    def lost(self) -> bool:
        return False  # in one thread the monitor cannot be gone; its lost link is a cause of its own

    def events(self) -> list[dict[str, Any]]:
        happened = list(self._events)
        self._events.clear()
        return happened

    # ---- inside

    def _turn(self, requests: list[Request]) -> None:
        self._busy = True
        self._to_be_seen = False
        self._due_s = math.inf
        self._polled_s = self._clock.now_s()
        try:
            self._exchange(requests)
        finally:
            self._busy = False

    def _exchange(self, requests: list[Request]) -> None:
        if self._written is None:
            self._try(lambda: self._io.write((False,) * self.monitor.rules.coil_count))
        before_s = self._clock.now_s() - self._poll_s if self._link_ok else -math.inf
        reading = self._read()
        self.monitor.unchanged_until(before_s, looked_again=reading is not None)
        turn = self.monitor.turn(self._clock.now_s(), reading, requests)
        if (
            reading is not None
            and turn.coils != self._written
            and self._try(lambda: self._io.write(turn.coils))
        ):
            self._written = turn.coils
        if turn.renew_watchdog and self._link_ok:
            self._try(self._io.renew_watchdog)
        self._snapshot = None
        self._events.extend(turn.events)
        self._replies.update({int(reply.id): reply for reply in turn.replies if reply.id is not None})
        self._plan(turn.next_due_s)

    def _plan(self, next_due_s: float) -> None:
        """A lost link is tried again half-way to staleness; voltages that fall are looked at until off is proven."""
        now_s = self._clock.now_s()
        if not self._link_ok:
            next_due_s = min(next_due_s, now_s + LOST_AFTER_S / 2)
        if self.monitor.looks_for_proof:
            next_due_s = min(next_due_s, now_s + LOOK_EVERY_S)
        if math.isfinite(next_due_s):
            self._due_s = min(self._due_s, self._next_poll_s(max(now_s, next_due_s)))

    def _next_poll_s(self, after_s: float) -> float:
        polls = math.floor((after_s - self._phase_s) / self._poll_s + 1e-6) + 1
        return self._phase_s + polls * self._poll_s

    def _read(self) -> Reading | None:
        readings: list[Reading] = []
        self._try(lambda: readings.append(self._io.read()))
        return readings[0] if readings else None

    def _try(self, work: Callable[[], None]) -> bool:
        try:
            work()
        except FAULTS:
            self._link_ok = False
        else:
            self._link_ok = True
        return self._link_ok
