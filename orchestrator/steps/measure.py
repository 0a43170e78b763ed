"""Measure: one reading of an instrument, in a small energised block of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from sequences.bench import Bench, LeakageMeter
from sequences.capture import ResultKind
from sequences.fields import Name, Seconds, Volts
from sequences.step import Step

if TYPE_CHECKING:
    from sequences.model import Sequence


class Measure(Step, kind="measure"):
    """Apply a voltage, wait, take one reading, and switch off again."""

    result: Name = Field(description="name of the result")
    instrument: Name = Field(description="the equipment that measures")
    voltage: Volts = Field(gt=0, description="voltage applied to the specimen")
    after: Seconds = Field(ge=0, le=3600, description="time from applying the voltage to the reading")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.result: ResultKind("A", uncertainty=True)}

    def needs_equipment(self) -> list[str]:
        return [self.instrument]

    def opens_output(self, bench: Bench) -> str | None:
        equipment = bench.equipment.get(self.instrument)
        return equipment.output if isinstance(equipment, LeakageMeter) else None
