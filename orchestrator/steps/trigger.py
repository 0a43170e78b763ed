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
        charged = at.block.needs_equipment() if at.block else []
        if charged and self.equipment not in [need.name for need in charged]:
            name, block = charged[0].name, at.path[:-2]
            what = f'The block has charged "{name}", and the trigger goes to "{self.equipment}".'
            compared = [(*block, need.field) for need in charged]
            at.say("trigger-elsewhere", "equipment", what, f"write trigger: {name}", compared=compared)

    def run(self, at: Context) -> None:
        from orchestrator.engine import acts  # late: a check of a file needs no engine

        acts.trigger(at)
