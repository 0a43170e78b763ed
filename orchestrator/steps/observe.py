"""Observe: watch the indicator for a fixed time."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.capture import INDICATOR_STATES, Material, ResultKind
from sequences.fields import Seconds
from sequences.places import Path_
from sequences.quantity import show
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At
    from sequences.model import Sequence


class Observe(Step, kind="observe"):
    """Watch the indicator for its whole time, then record its state; late ignition happens."""

    named_by: ClassVar[tuple[Path_, ...]] = (("indicator",),)

    indicator: Material = Field(description="the indicator of the sequence")
    time: Seconds = Field(gt=0, le=7200, description="how long it is watched, never cut short")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.indicator.replace(" ", "_"): ResultKind(states=INDICATOR_STATES[self.indicator])}

    def check(self, at: At) -> None:
        declared = at.sequence.indicator
        material: Path_ = ("indicator", "material")
        known = at.checking.known(material, at.place("indicator"))
        if declared is None or (known and declared.material != self.indicator):
            what = f"The sequence does not declare an indicator of {self.indicator}."
            advice = f"write indicator: {declared.material}" if declared else "declare it under indicator:"
            at.say("unknown-indicator", "indicator", what, advice, compared=(material,))
        elif self.time < declared.observe_at_least:
            least = show(declared.observe_at_least, "s")
            what = (
                f"The observation lasts {show(self.time, 's')}, and the indicator asks for {least} at least."
            )
            advice = f"observe for {least} or longer"
            at.say(
                "observation-too-short", "time", what, advice, compared=(("indicator", "observe_at_least"),)
            )

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.observe(at, self.indicator, self.time)
