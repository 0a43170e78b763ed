"""Drives the tables of `orchestrator.core.states`: an undeclared transition cannot happen."""

from __future__ import annotations

from collections.abc import Mapping

from transitions import Machine, MachineError

from orchestrator.core.states import BENCH_TABLE, RUN_TABLE, BenchState, RunState, Transition


class Undeclared(Exception):
    """An event that the table does not allow in this state, or whose guard does not hold. Nothing changed."""


class StateMachine:
    """A table driven by transitions' synchronous Machine: no automatic transitions, no work in callbacks."""

    def __init__(self, name: str, table: tuple[Transition, ...], initial: str) -> None:
        self._name = name
        self._guards: Mapping[str, bool] = {}
        states = sorted({t.source for t in table} | {t.target for t in table})
        rows = [
            {
                "trigger": "on_" + t.event,
                "source": str(t.source),
                "dest": str(t.target),
                "conditions": [self._guard(g) for g in t.guards],
            }
            for t in table
        ]
        self._events = {t.event for t in table}
        self.state = str(initial)
        self._machine = Machine(
            model=self,
            states=[str(s) for s in states],
            transitions=rows,
            initial=str(initial),
            auto_transitions=False,
            send_event=False,
        )

    def fire(self, event: str, **guards: bool) -> str:
        """Take `event` with the given truths: the new state, or Undeclared and nothing changed."""
        self._guards = guards
        try:
            done = event in self._events and getattr(self, "on_" + event)()
        except MachineError:
            done = False
        if not done:
            false = sorted(name for name, true in guards.items() if not true)
            because = f" ({', '.join(false)} not true)" if false else ""
            raise Undeclared(f"{self._name}: '{event}' is not possible in '{self.state}'{because}")
        return self.state

    def _guard(self, name: str) -> object:
        def holds() -> bool:
            return self._guards.get(name, False)

        return holds


def bench_machine(initial: BenchState = BenchState.OUT_OF_OPERATION) -> StateMachine:
    """The bench's machine; a starting daemon begins out of operation and must prove off first."""
    return StateMachine("bench", BENCH_TABLE, initial)


def run_machine() -> StateMachine:
    """The machine of one run."""
    return StateMachine("run", RUN_TABLE, RunState.DRAFTED)
