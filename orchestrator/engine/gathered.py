"""The evidence of a run while it grows: every figure with its place, every state of an indicator."""

from __future__ import annotations

from dataclasses import dataclass, field

from orchestrator.engine.judge import Value


@dataclass
class Gathered:
    """What all steps of a run add to. `current` is the shot or cycle that a step belongs to, 0 before the first."""

    current: int = 0
    last_s: float | None = None
    """When energy was applied last: the beginning of an observation."""
    values: dict[str, list[Value]] = field(default_factory=dict)
    states: dict[str, list[tuple[int, str]]] = field(default_factory=dict)

    def add(self, result: str, value: Value) -> None:
        """A figure."""
        self.values.setdefault(result, []).append(value)

    def add_state(self, indicator: str, at: int, state: str) -> None:
        """What an indicator showed after shot or cycle `at`."""
        self.states.setdefault(indicator, []).append((at, state))
