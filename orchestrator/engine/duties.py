"""The duties there are: what is done to the specimen between the initial and the final measurements.

A run knows nothing of shots or cycles: it verifies, begins, performs, judges by the evidence, and closes. A further
duty is one more class with these methods and one more line in `duty_run`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from orchestrator.core.reasons import Reason
    from orchestrator.engine.context import Context
    from orchestrator.engine.duty import EarlierVerification
    from orchestrator.engine.judge import Evidence
    from orchestrator.engine.run import RunOrder


class DutyRun(Protocol):
    """One duty in progress."""

    def verify(self, earlier: EarlierVerification | None) -> None:
        """Proof of the circuit where the sequence asks for it; then the specimen is connected."""

    def begin(self) -> None:
        """The initial measurements, or what a run that goes on with an earlier one has to reconcile."""

    def perform(self) -> None:
        """The duty itself, to its declared end."""

    def completed(self) -> tuple[Reason, str]:
        """Why the run ends when nothing stopped it, and the sentence for it."""

    def evidence(self) -> dict[int, Evidence]:
        """All that can be judged so far, of each mount; 0 stands for the one specimen of a duty without mounts."""

    def failed(self, mount: int) -> str | None:
        """Why a mount failed by the duty's own rule, in a sentence; None where it did not."""

    def can_be_gone_on_with(self) -> bool:
        """Whether a further run can take over what this one has done so far."""

    def ended_facts(self) -> dict[str, Any]:
        """What the entry of the run's end says of the duty."""

    def close(self) -> None:
        """Before the seal: what was held open is finished. Raises StorageFault."""


def duty_run(at: Context, order: RunOrder) -> DutyRun:
    """The duty that the sequence asks for."""
    from sequences.model import CycleDuty

    if isinstance(at.sequence.duty, CycleDuty):
        from orchestrator.engine.cycle_duty import Cycles

        return Cycles(at, order)
    from orchestrator.engine.duty import Shots

    return Shots(at)
