"""Inspect: a person looks and confirms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from sequences.fields import Text
from sequences.step import Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context


class Inspect(Step, kind="inspect"):
    """A person looks at the specimen, with everything off, and confirms each point by name."""

    confirm: tuple[Text, ...] = Field(
        min_length=1, description="what the person confirms, each with one answer"
    )
    photo: Literal["required", "not required"] = Field(
        "not required", description="whether a photo belongs in the record"
    )

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.inspect(at, self.confirm, self.photo == "required")
