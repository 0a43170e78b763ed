"""A relay or contactor: a coil that wants something, contacts that need time, and the ways contacts fail."""

from __future__ import annotations

import math


class Relay:
    """One set of contacts. `wanted` is what the coil asks for, `closed` what the contacts are.

    `refuses` is a direction the contacts no longer go: "open" for welded ones (they close as ever and then
    stay), "close" for a broken spring. `feedback` is what the auxiliary contact says instead of the truth.
    """

    def __init__(self, name: str, closed: bool, closes_in_s: float, opens_in_s: float) -> None:
        self.name = name
        self.closed = closed
        self.wanted = closed
        self.refuses = ""
        self.feedback: bool | None = None
        self._closes_in_s = closes_in_s
        self._opens_in_s = opens_in_s
        self.moves_at_s = math.inf
        """When the contacts arrive."""

    def drive(self, close: bool, now_s: float) -> None:
        """The coil asks for closed or open contacts; asking again for the same changes nothing."""
        if close != self.wanted:
            self.wanted = close
            self._start(now_s)

    def refuse(self, direction: str, now_s: float) -> None:
        """Set or mend (with "") the direction in which the contacts do not go; mended ones go where they are wanted."""
        self.refuses = direction
        self._start(now_s)

    def advance(self, now_s: float) -> bool:
        """Arrive if it is time; whether the contacts changed."""
        if now_s < self.moves_at_s:
            return False
        self.moves_at_s = math.inf
        changed, self.closed = self.closed != self.wanted, self.wanted
        return changed

    def says_closed(self) -> bool:
        """What the auxiliary contact reports."""
        return self.closed if self.feedback is None else self.feedback

    def _start(self, now_s: float) -> None:
        held = self.refuses == ("close" if self.wanted else "open")
        if self.wanted == self.closed or held:
            self.moves_at_s = math.inf
        else:
            self.moves_at_s = now_s + (self._closes_in_s if self.wanted else self._opens_in_s)
