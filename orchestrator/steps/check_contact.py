"""Check of the contact: its drop at rated current, the specimen held closed."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.bench import Bench
from sequences.capture import ResultKind
from sequences.fields import Name, Seconds
from sequences.places import Path_
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At
    from sequences.model import Sequence


class CheckContact(Step, kind="check_contact"):
    """Hold the specimen closed on the load, wait, take the contact drop of every mount, and open it again."""

    opens_block: ClassVar[bool] = True
    named_by: ClassVar[tuple[Path_, ...]] = (("result",),)

    result: Name = Field(description="name of the result, the contact drop at the load's current")
    after: Seconds = Field(ge=0, le=3600, description="time from the confirmed on position to the reading")

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        return {self.result: ResultKind("V", uncertainty=True)}

    def opens_output(self, bench: Bench) -> str | None:
        return bench.load_output()

    def check(self, at: At) -> None:
        from sequences import check_motion  # late: it reads models that read steps

        check_motion.check_needs_cycles(at)

    def run(self, at: Context) -> None:
        from orchestrator.engine import cycle_acts  # late: a check of a file needs no engine

        cycle_acts.check_contact(at, self)
