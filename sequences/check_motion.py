"""Checks of what steps ask of actuator and recorder: positions, speeds, forces, thermocouples."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequences.model import CycleDuty

if TYPE_CHECKING:
    from sequences.asking import At


def check_needs_cycles(at: At) -> bool:
    """Whether the step stands in a sequence whose duty is of cycles; a finding if it does not."""
    if isinstance(at.sequence.duty, CycleDuty):
        return True
    what = f"The step {at.step.kind} takes its equipment from each_cycle, and this is a duty of shots."
    at.say("step-needs-cycles", None, what, "remove it, or write duty: {cycles: ...}", compared=[("duty",)])
    return False


def check_touch_off(at: At, actuator: str, off: str, on: str, speed: float, result: str) -> None:
    check_needs_cycles(at)


def check_dry_run(at: At, speed: float) -> None:
    check_needs_cycles(at)


def check_temperature(at: At, channels: tuple[str, ...], above: str) -> None:
    check_needs_cycles(at)
