"""Hold: a hold point (ISO 10005)."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from sequences.fields import Text
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context


class Hold(Step, kind="hold"):
    """A hold point: the run waits, with everything off, until a named person releases it."""

    main: ClassVar[str | None] = "reason"

    reason: Text = Field(description="what the person has to do or to decide")
    released_by: Text = Field("test operator in charge", description="role of the person who may release it")

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.hold(at, self.reason, self.released_by)
