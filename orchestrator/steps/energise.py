"""Energise: the one block in which volts exist."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.bench import Bench, ImpulseSource
from sequences.capture import METHODS, Capture, ResultKind
from sequences.fields import Name, TolerancedVolts
from sequences.places import Path_
from sequences.step import Level, Need, Step, StepItem

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from orchestrator.engine.shot import Shot
    from sequences.asking import At
    from sequences.model import Sequence


class Energise(Step, kind="energise"):
    """Charge a source, do the steps inside, and switch off: leaving it, by any way, is the bench's way to
    safe."""

    opens_block: ClassVar[bool] = True
    named_by: ClassVar[tuple[Path_, ...]] = (("capture", "method"),)

    source: Name = Field(description="the equipment that gives the energy")
    charging_voltage: TolerancedVolts = Field(
        description="charging voltage and the window it has to be in before the trigger"
    )
    capture: Capture | None = Field(
        None, description="recording of the shot, proved waiting before charging and before the trigger"
    )
    inside: tuple[StepItem, ...] = Field(min_length=1, description="steps that need the energy")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return dict(METHODS[self.capture.method]) if self.capture else {}

    def needs_equipment(self) -> list[Need]:
        return [Need("source", self.source, "impulse source")]

    def level(self) -> Level | None:
        return Level("charging_voltage", self.charging_voltage.nominal, self.charging_voltage.high)

    def opens_output(self, bench: Bench) -> str | None:
        equipment = bench.equipment.get(self.source)
        return equipment.output if isinstance(equipment, ImpulseSource) else None

    def captured(self) -> Capture | None:
        return self.capture

    def steps_inside(self) -> tuple[Step, ...]:
        return self.inside

    def check(self, at: At) -> None:
        if self.capture is None and any(step.applies_shot for step in self.inside):
            what = "The block applies a shot and captures nothing."
            advice = "write capture: with its method and channels"
            at.say("shot-without-capture", None, what, advice, compared=(at.place("capture"),))

    def run(self, at: Context) -> None:
        from orchestrator.engine import duty  # late: a check of a file needs no engine

        duty.duty_shot(at, self, self._inside)

    def _inside(self, shot: Shot) -> None:
        """What needs the energy; the trigger acts on the shot that is charged now."""
        from orchestrator.engine import acts

        shot.at.charged = shot
        try:
            for step in self.inside:
                acts.perform(step, shot.at)
        finally:
            shot.at.charged = None
