"""The cheesecloth over the specimen: what a shot does to it, sometimes seconds later."""

from __future__ import annotations

import math

STATES = ("none", "unmarked", "scorched", "glowing", "burning")
"""In the order in which they may only get worse; "none" is a cloth that was forgotten."""
BURNS_AFTER_S = 0.4
"""From a specimen that breaks down to flames."""


class Cloth:
    """One layer of cloth. `glows_at_shot` and `burns_at_shot` count the specimen's shots; 0 is never."""

    def __init__(self, scorch_j: float) -> None:
        self.state = "unmarked"
        self.glows_at_shot = 0
        self.burns_at_shot = 0
        self.glow_delay_s = 4.0
        self._scorch_j = scorch_j
        self.due_s = math.inf
        """When its state next changes."""
        self._coming: list[tuple[float, str]] = []

    def put(self, state: str) -> None:
        """A person lays a new cloth, takes it off, or a test sets its state; what was to come is gone."""
        self.state = state
        self._await([])

    def take(self, shot: int, energy_j: float, specimen_broke: bool, now_s: float) -> None:
        """The specimen's shot of that number, counted from 1."""
        coming = self._coming.copy()
        if energy_j > self._scorch_j:
            coming.append((now_s, "scorched"))
        if shot == self.glows_at_shot:
            coming.append((now_s + self.glow_delay_s, "glowing"))
        if shot == self.burns_at_shot or specimen_broke:
            coming.append((now_s + BURNS_AFTER_S, "burning"))
        self._await(coming)

    def _await(self, coming: list[tuple[float, str]]) -> None:
        self._coming = coming
        self.due_s = min([at_s for at_s, _ in coming], default=math.inf)

    def advance(self, now_s: float) -> bool:
        """Whether its state changed."""
        before = self.state
        for at_s, state in sorted(self._coming):
            if at_s <= now_s and self.state != "none" and STATES.index(state) > STATES.index(self.state):
                self.state = state
        self._await([(at_s, state) for at_s, state in self._coming if at_s > now_s])
        return self.state != before
