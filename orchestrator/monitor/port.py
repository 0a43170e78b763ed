"""How the engine talks to the interlock monitor, and what both implementations promise.

Nothing here raises because the monitor is in trouble: a monitor that does not answer refuses everything and is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from orchestrator.core.interlock import Proof
from orchestrator.core.reasons import Cause
from orchestrator.monitor.values import Reply

LOST_AFTER_S = 0.25
SLICE_S = 0.05

__all__ = ["LOST_AFTER_S", "SLICE_S", "MonitorPort", "Reply", "Snapshot"]


@dataclass(frozen=True)
class Snapshot:
    """What the monitor knew at `at_s`, from a reading of `read_at_s` (monotonic; None: nothing read yet).

    `inputs[name]`: closed, channels, age_s, proven, failed, toggled_age_s. `outputs[name]`: commanded, off_feedback,
    output_on (confirmed by the contactor), phase, warning_left_s, cut_in_s. `lifted[name]`: commanded, closed.
    `voltages` in V; `ambient` in the bench file's units; `proof` only while nothing is commanded on.
    """

    at_s: float = float("-inf")
    read_at_s: float | None = None
    bench_state: str = "off not proven"
    lamp: str = "red"
    armed: tuple[str, ...] = ()
    inputs: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    feedback: Mapping[str, bool] = field(default_factory=dict)
    voltages: Mapping[str, float] = field(default_factory=dict)
    ambient: Mapping[str, float] = field(default_factory=dict)
    outputs: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    lifted: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    cause: Cause | None = None
    later: tuple[Cause, ...] = ()
    blocked: str | None = None
    proof: Proof | None = None

    @classmethod
    def from_json(cls, d: Mapping[str, Any]) -> Snapshot:
        typed = {
            "armed": tuple(d["armed"]),
            "cause": Cause.from_json(d["cause"]) if d["cause"] else None,
            "later": tuple(Cause.from_json(one) for one in d["later"]),
            "proof": Proof.from_json(d["proof"]) if d["proof"] else None,
        }
        return cls(**{**d, **typed})

    def age_s(self, now_s: float) -> float:
        """Age of the reading it rests on; infinite without one."""
        return float("inf") if self.read_at_s is None else now_s - self.read_at_s


class MonitorPort(Protocol):
    """The engine's end."""

    def renew(self) -> None:
        """Say that the run thread lives. Never blocks."""

    def snapshot(self) -> Snapshot:
        """The newest there is. Never blocks longer than a slice."""

    def ask(self, act: str, timeout_s: float, on_slice: Callable[[], None], **args: Any) -> Reply:
        """Ask for an act and wait for the answer in slices; what `on_slice` raises ends the waiting."""

    def cause(self) -> Cause | None:
        """The monitor's latched cause."""

    def lost(self) -> bool:
        """No fresh word for `LOST_AFTER_S`, or the connection is closed."""

    def events(self) -> list[dict[str, Any]]:
        """What happened since the last call: each with `event` and `at_s`."""
