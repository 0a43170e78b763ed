"""Temperature: the rise of thermocouples above another."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.capture import ResultKind
from sequences.fields import Name
from sequences.places import Path_
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At
    from sequences.model import Sequence


class Temperature(Step, kind="temperature"):
    """Read the contact recorder's thermocouples; the result is the largest rise above the one that is compared."""

    named_by: ClassVar[tuple[Path_, ...]] = (("result",),)

    result: Name = Field(description="name of the result, a temperature rise")
    channels: tuple[Name, ...] = Field(min_length=1, description="the thermocouples, by name")
    above: Name = Field(description="the thermocouple that the rise counts from")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.result: ResultKind("K", uncertainty=True)}

    def check(self, at: At) -> None:
        from sequences import check_motion  # late: it reads models that read steps

        check_motion.check_temperature(at, self.channels, self.above)

    def run(self, at: Context) -> None:
        from orchestrator.engine import cycle_acts  # late: a check of a file needs no engine

        cycle_acts.temperature(at, self)
