"""Where the run is: the run states' table, driven. An undeclared transition is our own bug and stops the run."""

from __future__ import annotations

from collections.abc import Callable

from orchestrator.core.states import RunState
from orchestrator.machine import run_machine


class Course:
    """The state of one run. `changed` is told each new state and must not block."""

    def __init__(self, changed: Callable[[str], None] = lambda state: None) -> None:
        self._machine = run_machine()
        self._changed = changed
        self.verified = False

    @property
    def state(self) -> RunState:
        return RunState(self._machine.state)

    def go(self, event: str) -> None:
        """Take an event of the table. Raises Undeclared where it is not possible."""
        if event == "verify":
            self.verified = True
        guards = {"verified": self.verified, "not_verified": not self.verified}
        self._changed(self._machine.fire(event, off_proven=event == "off_proven", **guards))

    def stand_down(self) -> None:
        """Disarm where armed; anywhere else there is nothing to take back."""
        if self.state is RunState.ARMED:
            self.go("disarm")
