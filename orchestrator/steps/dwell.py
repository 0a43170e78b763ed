"""Dwell: a fixed time."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field

from sequences.fields import Seconds
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context


class Dwell(Step, kind="dwell"):
    """Keep the present state for a fixed time."""

    main: ClassVar[str | None] = "time"
    in_block: ClassVar[Literal["only", "may", "never"]] = "may"

    time: Seconds = Field(gt=0, le=3600, description="how long")

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.dwell(at, self.time)
