"""A voltage divider of the safety I/O."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Divider:
    """A divider and how it lies."""

    factor: float = 1.0
    frozen_v: float | None = None

    def reads(self, volts: float) -> float:
        """What its register shows, before rounding."""
        return abs(self.frozen_v if self.frozen_v is not None else volts * self.factor)
