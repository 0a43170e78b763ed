"""Dry run: some cycles without the load, before the specimen is stressed."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.bench import Bench
from sequences.fields import Count, MetresPerSecond
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At


class DryRun(Step, kind="dry_run"):
    """Operate the specimen some cycles at low speed on the low-energy check supply: the contact's state has to
    follow the position. The cycles do not count."""

    opens_block: ClassVar[bool] = True

    cycles: Count = Field(ge=1, le=1000, description="number of cycles")
    speed: MetresPerSecond = Field(gt=0, description="speed of the moves; lower than that of the duty")

    def opens_output(self, bench: Bench) -> str | None:
        return bench.check_output()

    def check(self, at: At) -> None:
        from sequences import check_motion  # late: it reads models that read steps

        check_motion.check_dry_run(at, self.speed)

    def run(self, at: Context) -> None:
        from orchestrator.engine import cycle_acts  # late: a check of a file needs no engine

        cycle_acts.dry_run(at, self)
