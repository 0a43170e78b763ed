"""The way of one output: warning, precautions lifted, contactor closed; and back, each step confirmed or timed out.

Off is: contactor open, then the lifted precautions closed in the order of the bench file (discharge, earth). A
step of the way off that is not confirmed is not waited for: the next one follows after `STEP_OFF_S`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.core.reasons import Reason
from orchestrator.monitor.values import Block, Phase

if TYPE_CHECKING:
    from orchestrator.monitor.logic import Monitor

STEP_ON_S = 1.0
STEP_OFF_S = 0.1
SETTLE_S = 0.05


class Sequencer:
    """Moves the blocks of a monitor through their phases."""

    def __init__(self, monitor: Monitor) -> None:
        self._monitor = monitor
        self._steps = {
            Phase.WARNING: self._after_warning,
            Phase.LIFTING: self._after_lifting,
            Phase.CLOSING: self._after_closing,
            Phase.ON: self._while_on,
            Phase.OPENING: self._while_opening,
        }

    def advance(self) -> None:
        """Every step that is possible now."""
        for block in list(self._monitor.blocks.values()):
            phase = None
            while phase is not block.phase and block.rule.name in self._monitor.blocks:
                phase = block.phase
                self._steps[phase](block)

    def open(self, block: Block, why: str) -> None:
        """Command off; the precautions follow. Before the warning is over there is nothing to undo."""
        monitor = self._monitor
        if block.phase is Phase.OPENING:
            return
        monitor.event("cut", output=block.rule.name, why=why)
        if block.phase is Phase.WARNING:
            del monitor.blocks[block.rule.name]
            return
        block.phase, block.confirmed_by = Phase.OPENING, block.rule.off_feedback
        block.due_s = monitor.now_s + STEP_OFF_S

    def drop_all(self) -> None:
        """Everything off at once, unconfirmed: for when nothing can be read, or nothing was energised yet."""
        for name in list(self._monitor.blocks):
            self._monitor.event("cut", output=name, why="everything off at once")
            del self._monitor.blocks[name]

    def next_due_s(self) -> float:
        """When the next phase ends by time alone."""
        return min([self._due_s(block) for block in self._monitor.blocks.values()], default=float("inf"))

    def _due_s(self, block: Block) -> float:
        if block.phase is not Phase.ON:
            return min(block.due_s, block.cut_by_s)
        settled_s = float("inf") if block.wrong_since_s is None else block.wrong_since_s + SETTLE_S
        return min(block.cut_by_s, settled_s)

    def _over(self, block: Block) -> bool:
        return self._monitor.now_s >= block.due_s

    def _after_warning(self, block: Block) -> None:
        monitor = self._monitor
        if not self._over(block):
            return
        if not monitor.fire("energise", interlocks_closed=monitor.closed(block.needs)):
            monitor.latch(
                Reason.INTERLOCK_OPEN, f"an interlock was not closed when {block.rule.name} was due"
            )
            self.open(block, "an interlock was not closed")
            return
        block.phase, block.due_s = Phase.LIFTING, monitor.now_s + STEP_ON_S
        block.lifted = list(block.rule.lifts)

    def _after_lifting(self, block: Block) -> None:
        down = [name for name in block.lifted if self._in_force(name)]
        if not down:
            block.phase, block.due_s = Phase.CLOSING, self._monitor.now_s + STEP_ON_S
        elif self._over(block):
            self._fault(block, f"{down[0]} was not lifted within {STEP_ON_S:g} s")

    def _after_closing(self, block: Block) -> None:
        if not self._monitor.feedback(block.rule.off_feedback):
            block.phase = Phase.ON
            self._monitor.event("output_on", output=block.rule.name)
        elif self._over(block):
            self._fault(block, f"the contactor of {block.rule.name} did not close within {STEP_ON_S:g} s")
        else:
            self._end_by_deadline(block)

    def _while_on(self, block: Block) -> None:
        self._end_by_deadline(block)
        wrong = [name for name in block.lifted if self._in_force(name)]
        if block.phase is not Phase.ON:
            return
        if not wrong and not self._monitor.feedback(block.rule.off_feedback):
            block.wrong_since_s = None
            return
        if block.wrong_since_s is None:
            block.wrong_since_s = self._monitor.now_s
        elif self._monitor.now_s - block.wrong_since_s >= SETTLE_S:
            what = f"{wrong[0]} closed" if wrong else f"the contactor of {block.rule.name} opened"
            self._fault(block, f"{what} without a command")

    def _end_by_deadline(self, block: Block) -> None:
        if self._monitor.now_s >= block.cut_by_s:
            self.open(block, "the deadline of its stop is over")

    def _while_opening(self, block: Block) -> None:
        """One step after the other: contactor open, then each precaution closed, confirmed or timed out."""
        monitor = self._monitor
        while monitor.feedback(block.confirmed_by) or self._over(block):
            if not block.lifted:
                del monitor.blocks[block.rule.name]
                monitor.event("off", output=block.rule.name)
                return
            block.confirmed_by = monitor.rules.lifted[block.lifted.pop(0)].closed_feedback
            block.due_s = monitor.now_s + STEP_OFF_S

    def _in_force(self, precaution: str) -> bool:
        return self._monitor.feedback(self._monitor.rules.lifted[precaution].closed_feedback)

    def _fault(self, block: Block, what: str) -> None:
        self._monitor.latch(Reason.SUPPLY_FAULT, what)
        self.open(block, what)
