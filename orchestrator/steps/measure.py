"""Measure: one reading of an instrument, in a small energised block of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.bench import Bench, LeakageMeter
from sequences.capture import ResultKind
from sequences.fields import Name, Seconds, Volts
from sequences.model import LeakageMeterWanted
from sequences.places import Path_
from sequences.quantity import show
from sequences.step import Level, Need, Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At
    from sequences.model import Sequence


class Measure(Step, kind="measure"):
    """Apply a voltage, wait, take one reading, and switch off again."""

    opens_block: ClassVar[bool] = True
    named_by: ClassVar[tuple[Path_, ...]] = (("result",),)

    result: Name = Field(description="name of the result")
    instrument: Name = Field(description="the equipment that measures")
    voltage: Volts = Field(gt=0, description="voltage applied to the specimen")
    after: Seconds = Field(ge=0, le=3600, description="time from applying the voltage to the reading")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.result: ResultKind("A", uncertainty=True)}

    def needs_equipment(self) -> list[Need]:
        return [Need("instrument", self.instrument, "leakage meter")]

    def level(self) -> Level | None:
        return Level("voltage", self.voltage, self.voltage)

    def opens_output(self, bench: Bench) -> str | None:
        equipment = bench.equipment.get(self.instrument)
        return equipment.output if isinstance(equipment, LeakageMeter) else None

    def check(self, at: At) -> None:
        wanted = at.sequence.equipment.get(self.instrument)
        if not isinstance(wanted, LeakageMeterWanted):
            return
        for index, requirement in enumerate(at.sequence.requirements):
            limit = requirement.at_most if requirement.result == self.result else None
            if limit is not None and limit.unit == "A" and limit > wanted.highest:
                highest = show(wanted.highest, "A")
                what = f"The limit {limit.text} is above the {highest} that {self.instrument} measures."
                path = ("requirements", index, "at_most")
                compared: tuple[Path_, ...] = (
                    at.place("result"),
                    at.place("instrument"),
                    ("equipment", self.instrument, "highest"),
                    ("requirements", index, "result"),
                )
                advice = f"ask for a {self.instrument} that goes higher"
                at.checking.say("above-instrument-rating", path, what, advice, compared=compared)

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.measure(at, self.result, self.instrument, self.voltage, self.after)
