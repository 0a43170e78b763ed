"""One contact of a safety input (true = closed = safe), what moves it, and the ways it lies."""

from __future__ import annotations

import math

from simulators.words import seconds_of

CONTACT_FAULTS = (
    "ok",
    "closed",
    "open",
    "stuck_closed",
    "stuck_open",
    "sticks",
    "disagrees",
    "open:<s>",
    "bounces:<s>",
)
BOUNCE_S = 0.004
"""Half a period of a bouncing contact: slow enough for a poll of 5 ms to see some of it."""
ROUNDING = 1e-6
"""Part of a half period that a clock of floats may be short of its end."""


class Contact:
    """A contact that follows a physical state unless a fault holds it, inverts it, or lets it go for a while."""

    def __init__(self, name: str, closed: bool) -> None:
        self.name = name
        self.fault = "ok"
        self._physical = closed
        self._held: bool | None = None
        self._inverted = False
        self._until_s = -math.inf
        self._since_s = -math.inf
        self._bounces = False

    def follow(self, closed: bool) -> None:
        """The door, button or switch it belongs to moved."""
        self._physical = closed

    def fail(self, fault: str, now_s: float) -> None:
        """Set one of CONTACT_FAULTS. ValueError for anything else."""
        kind, _, time = fault.partition(":")
        if kind not in {known.partition(":")[0] for known in CONTACT_FAULTS}:
            raise ValueError(f"{self.name} takes {', '.join(CONTACT_FAULTS)}, not {fault!r}")
        seconds_s = seconds_of(time) if time else None
        if kind == "bounces" and seconds_s is None:
            raise ValueError(f"{self.name}: bounces needs its time, as in bounces:0.03 s")
        present = self.value(now_s)
        self.fault = fault
        self._held = {
            "closed": True,
            "stuck_closed": True,
            "open": False,
            "stuck_open": False,
            "sticks": present,
        }.get(kind)
        self._inverted = kind == "disagrees"
        self._bounces = kind == "bounces"
        self._since_s = now_s
        self._until_s = math.inf if seconds_s is None else now_s + seconds_s

    def value(self, now_s: float) -> bool:
        """Whether the contact is closed at `now_s`."""
        if now_s >= self._until_s:
            return self._physical
        if self._bounces:
            return self._physical and self._half_periods(now_s) % 2 == 1
        if self._held is not None:
            return self._held
        return self._physical != self._inverted

    def next_due_s(self, now_s: float) -> float:
        """When it next changes by itself."""
        if now_s >= self._until_s:
            self._recover()
            return math.inf
        if self._bounces:
            turn_s = self._since_s + (self._half_periods(now_s) + 1) * BOUNCE_S
            return min(self._until_s, turn_s)
        return self._until_s

    def _recover(self) -> None:
        """A fault that lasted for a time is over."""
        if self._until_s > -math.inf:
            self.fault, self._held, self._inverted, self._bounces = "ok", None, False, False
            self._since_s = self._until_s = -math.inf

    def _half_periods(self, now_s: float) -> int:
        return math.floor((now_s - self._since_s) / BOUNCE_S + ROUNDING)
