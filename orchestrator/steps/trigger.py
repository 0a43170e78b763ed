"""Trigger: let the charged source go."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field

from sequences.fields import Name
from sequences.step import Need, Step

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from sequences.asking import At


class Trigger(Step, kind="trigger"):
    """Trigger the charged source, after the capture was proved waiting once more. Never repeated by
    itself."""

    main: ClassVar[str | None] = "equipment"
    in_block: ClassVar[Literal["only", "may", "never"]] = "only"

    applies_shot: ClassVar[bool] = True

    equipment: Name = Field(description="the source that the block has charged")

    def needs_equipment(self) -> list[Need]:
        return [Need("equipment", self.equipment, "impulse source")]

    def check(self, at: At) -> None:
        charged = [need.name for need in at.block.needs_equipment()] if at.block else [self.equipment]
        if self.equipment not in charged:
            what = f'The block has charged "{charged[0]}", and the trigger goes to "{self.equipment}".'
            at.say("trigger-elsewhere", "equipment", what, f"write trigger: {charged[0]}")

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.trigger(at)
