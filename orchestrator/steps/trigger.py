"""Trigger: let the charged source go."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from sequences.fields import Name
from sequences.step import Step


class Trigger(Step, kind="trigger"):
    """Trigger the charged source, after the capture was proved waiting once more. Never repeated by
    itself."""

    main: ClassVar[str | None] = "equipment"
    in_block: ClassVar[Literal["only", "may", "never"]] = "only"

    equipment: Name = Field(description="the source that the block has charged")

    def needs_equipment(self) -> list[str]:
        return [self.equipment]
