"""Energise: the one block in which volts exist."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from sequences.bench import Bench, ImpulseSource
from sequences.capture import METHODS, Capture, ResultKind
from sequences.fields import Name, TolerancedVolts
from sequences.step import Step, StepItem

if TYPE_CHECKING:
    from sequences.model import Sequence


class Energise(Step, kind="energise"):
    """Charge a source, do the steps inside, and switch off: leaving it, by any way, is the bench's way to
    safe."""

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

    def needs_equipment(self) -> list[str]:
        return [self.source]

    def opens_output(self, bench: Bench) -> str | None:
        equipment = bench.equipment.get(self.source)
        return equipment.output if isinstance(equipment, ImpulseSource) else None

    def captured(self) -> Capture | None:
        return self.capture

    def steps_inside(self) -> tuple[Step, ...]:
        return self.inside
