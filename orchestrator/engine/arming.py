"""Arming: a person's act, granted by the interlock monitor, and asked for again whenever it has lapsed.

It lapses after the time the sequence gives, and whenever an interlock has opened since. An emergency stop that is
pressed while the bench is armed ends the run: the interlock monitor latches it as a cause.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.core.reasons import Reason
from orchestrator.core.states import BenchState
from orchestrator.engine.context import Context
from orchestrator.engine.stop import BenchFault
from sequences.bench import Actuator

if TYPE_CHECKING:
    from sequences.bench import Bench
    from sequences.model import Arm

PROOF_MARGIN_S = 2.0
LOOK_WITHIN_S = 0.5
CAUTION = (
    "Stored energy, arc, fire and shock can kill. Nobody is in the cell, the hardware interlock chain is intact "
    "(it is the safety function, this software is not), and the local rules for this work are kept."
)


MOVES = "What moves by itself crushes. "


def caution_of(bench: Bench) -> str:
    """What is said to whoever arms: the dangers that this bench has."""
    moves = any(isinstance(one, Actuator) for one in bench.equipment.values())
    return f"{MOVES}{CAUTION}" if moves else CAUTION


class Arming:
    """Keeps the bench armed for as long as the run needs it."""

    def __init__(self, arm: Arm, at: Context) -> None:
        self._arm = arm
        self._at = at
        self._armed_s: float | None = None

    def require(self) -> None:
        """Return with the bench ready to switch on; ask a person when it is not."""
        refused, caution = "", caution_of(self._at.bench.file)
        while not self._holds():
            if self._armed_s is not None:
                self.withdraw()
            self._at.progress.say("waiting for a person to arm the bench")
            text = f"{refused}Arm the bench: leave the cell, close it, and confirm."
            answer = self._at.ask("arm", text, items=tuple(self._arm.confirm), caution=caution)
            self._ask_others(answer.by.name)
            refused = self._try(answer.by.name)

    def _ask_others(self, first: str) -> None:
        """A second person and a witness, where the bench wants them; each is somebody else than those before."""
        at, asked = self._at, [first]
        wanted = at.bench.file.arming
        if wanted.two_people:
            at.progress.say("waiting for a second person")
            text = f"A second person, not {first}: make sure for yourself, and confirm."
            items = tuple(self._arm.confirm)
            asked.append(
                at.ask(
                    "arm", text, items=items, caution=caution_of(at.bench.file), not_by=tuple(asked)
                ).by.name
            )
        if wanted.witness:
            at.progress.say("waiting for the witness")
            text, items = "Witness: say that you are ready.", ("the witness is ready",)
            at.ask("witness", text, items=items, role="witness", not_by=tuple(asked))

    def withdraw(self) -> None:
        """Back to green: before a person is sent into the cell."""
        at = self._at
        self._armed_s = None
        at.course.stand_down()
        if at.monitor.snapshot().bench_state == BenchState.READY_TO_SWITCH_ON:
            at.monitor.ask(
                "disarm", by="run", timeout_s=at.bench.file.discharge_time + 2, on_slice=at.pace.slice
            )

    def used(self) -> None:
        """The bench was live until now: nobody was in the cell, so the time to lapse begins anew."""
        if self._armed_s is not None:
            self._armed_s = self._at.clock.now_s()

    def let_in(self) -> None:
        """Back to green, and off proven now: what a person who is sent into the cell relies on."""
        at = self._at
        self.withdraw()
        proof_s = at.bench.file.discharge_time + PROOF_MARGIN_S
        reply = at.monitor.ask("prove_off", timeout_s=proof_s, on_slice=at.pace.slice)
        if not reply.granted:
            at.pace.slice()  # the monitor's own cause, if it has one, comes first
            raise BenchFault(Reason.OFF_NOT_PROVEN, reply.sentence)

    def _holds(self) -> bool:
        if self._armed_s is None:
            return False
        at = self._at
        fresh = at.clock.now_s() - self._armed_s < self._arm.lapses_after
        # Asked, so that the snapshot is newer than the question: an older one may hide a door that has just opened.
        at.monitor.ask("look", timeout_s=LOOK_WITHIN_S, on_slice=at.pace.slice)
        return fresh and at.monitor.snapshot().bench_state == BenchState.READY_TO_SWITCH_ON

    def _try(self, who: str) -> str:
        at = self._at
        interlock = list(at.sequence.interlock)
        reply = at.monitor.ask("arm", interlock=interlock, by=who, timeout_s=2.0, on_slice=at.pace.slice)
        at.journal.append("arming", granted=reply.granted, by=who, sentence=reply.sentence)
        if not reply.granted:
            return f"Not armed: {reply.sentence.rstrip('.')}. "
        self._armed_s = at.clock.now_s()
        at.course.go("arm")
        return ""
