"""Observe: watch the indicator for a fixed time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from sequences.capture import INDICATOR_STATES, Material, ResultKind
from sequences.fields import Seconds
from sequences.step import Step

if TYPE_CHECKING:
    from sequences.model import Sequence


class Observe(Step, kind="observe"):
    """Watch the indicator for its whole time, then record its state; late ignition happens."""

    indicator: Material = Field(description="the indicator of the sequence")
    time: Seconds = Field(gt=0, le=7200, description="how long it is watched, never cut short")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.indicator.replace(" ", "_"): ResultKind(states=INDICATOR_STATES[self.indicator])}
