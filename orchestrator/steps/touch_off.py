"""Touch-off: force against position, without voltage; the datum that shows whether anything has moved since."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field

from sequences.bench import Bench
from sequences.capture import ResultKind
from sequences.fields import Fraction, Metres, MetresPerSecond, Name
from sequences.places import Path_
from sequences.step import Need, Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At
    from sequences.model import Sequence


class TouchOff(Step, kind="touch_off"):
    """Press the specimen once, slowly and without voltage, and take the force against the position. The first is
    the datum; later ones are compared with it."""

    opens_block: ClassVar[bool] = True
    named_by: ClassVar[tuple[Path_, ...]] = (("result",),)

    actuator: Name = Field(description="the actuator that presses")
    off: Name = Field(
        description="position where it begins, clear of the specimen or touching it without force"
    )
    on: Name = Field(description="position where it ends")
    speed: MetresPerSecond = Field(gt=0, description="speed of the press")
    result: Name = Field(description="name of the result: the highest force on the way")
    datum: Literal["set", "compare"] = Field(
        description="set: this one is the datum; compare: it has to look like the datum"
    )
    shift_at_most: Metres = Field(
        gt=0, description="how far the position where the force rises may lie from the datum's"
    )
    force_within: Fraction = Field(
        gt=0, le=1, description="how far the highest force may lie from the datum's"
    )

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.result: ResultKind("N")}

    def needs_equipment(self) -> list[Need]:
        return [Need("actuator", self.actuator, "actuator")]

    def opens_output(self, bench: Bench) -> str | None:
        return bench.check_output()

    def check(self, at: At) -> None:
        from sequences import check_motion  # late: it reads models that read steps

        check_motion.check_touch_off(at, self.actuator, self.off, self.on, self.speed, self.result)

    def run(self, at: Context) -> None:
        from orchestrator.engine import cycle_acts  # late: a check of a file needs no engine

        cycle_acts.touch_off(at, self)
