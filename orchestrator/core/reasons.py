"""Why a run stopped: a closed list, each with what a person at the bench needs to know.

The first cause is latched; later ones are listed behind it. `advice` is what to do next, in one sentence.
Whether the bench is safe is never said here: only a proof of off can say that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Reason(StrEnum):
    """The closed list of stop reasons."""

    COMPLETED = "completed"
    COUNT_REACHED = "count_reached"
    SPECIMEN_FAILED = "specimen_failed"
    INDICATOR_IGNITED = "indicator_ignited"
    ABORT_BY_PERSON = "abort_by_person"
    INTERLOCK_OPEN = "interlock_open"
    EMERGENCY_STOP = "emergency_stop"
    MONITOR_LOST = "monitor_lost"
    OFF_NOT_PROVEN = "off_not_proven"
    INSTRUMENT_FAULT = "instrument_fault"
    ACTUATOR_FAULT = "actuator_fault"
    SUPPLY_FAULT = "supply_fault"
    CAPTURE_INVALID = "capture_invalid"
    SPURIOUS_SHOT = "spurious_shot"
    STORAGE_FAULT = "storage_fault"
    POWER_LOST = "power_lost"
    CALIBRATION_LAPSED = "calibration_lapsed"
    PLANNED_PAUSE = "planned_pause"
    INTERNAL_ERROR = "internal_error"


@dataclass(frozen=True)
class Explanation:
    """What a stop reason means for a person: what happened in general words, and what to do next."""

    happened: str
    advice: str


EXPLANATIONS: dict[Reason, Explanation] = {
    Reason.COMPLETED: Explanation("Every step was done", "Inspect the specimen and read the verdicts."),
    Reason.COUNT_REACHED: Explanation(
        "The declared count was reached", "Inspect the specimen and read the verdicts."
    ),
    Reason.SPECIMEN_FAILED: Explanation(
        "The specimen exceeded a limit", "Keep the specimen as it is, photograph it, read the verdicts."
    ),
    Reason.INDICATOR_IGNITED: Explanation(
        "The indicator showed ignition",
        "Make sure that nothing burns on before you enter; photograph the indicator and the specimen.",
    ),
    Reason.ABORT_BY_PERSON: Explanation(
        "A person aborted the run", "Write down why; the specimen may go on only if the sequence allows it."
    ),
    Reason.INTERLOCK_OPEN: Explanation(
        "An interlock opened while the bench was armed or live",
        "Find out who or what opened it, close it, and start a new run.",
    ),
    Reason.EMERGENCY_STOP: Explanation(
        "An emergency stop was pressed",
        "Find out why, remove the danger, release and reset the button, start a new run.",
    ),
    Reason.MONITOR_LOST: Explanation(
        "The interlock monitor or its safety I/O stopped answering",
        "Check the safety I/O and its cable, then restart the daemon.",
    ),
    Reason.OFF_NOT_PROVEN: Explanation(
        "Off could not be proven",
        "Call the test operator in charge: a named person must release the bench.",
    ),
    Reason.INSTRUMENT_FAULT: Explanation(
        "An instrument did not do what it was told, or did not answer",
        "Check that instrument, its cable and its front panel; prove the bench before the next run.",
    ),
    Reason.ACTUATOR_FAULT: Explanation(
        "The actuator did not do what it was told", "Check the actuator, home it, prove the bench."
    ),
    Reason.SUPPLY_FAULT: Explanation(
        "The source or its supply left its limits", "Check the source and its supply, then start a new run."
    ),
    Reason.CAPTURE_INVALID: Explanation(
        "A shot could not be judged from its capture",
        "Look at the last waveform, check probes, ranges and trigger line, prove the bench.",
    ),
    Reason.SPURIOUS_SHOT: Explanation(
        "Energy was applied without a command",
        "The specimen has had a shot that was not asked for; have the source checked.",
    ),
    Reason.STORAGE_FAULT: Explanation(
        "The record could not be written", "Make room on the disk or repair it, then start a new run."
    ),
    Reason.POWER_LOST: Explanation(
        "The daemon or the computer went down in the middle of a run",
        "Treat the run as interrupted; inspect the specimen before anything else.",
    ),
    Reason.CALIBRATION_LAPSED: Explanation(
        "A calibration lapses before the run can end", "Replace or recalibrate the instrument."
    ),
    Reason.PLANNED_PAUSE: Explanation("The run was paused as planned", "Resume it when ready."),
    Reason.INTERNAL_ERROR: Explanation(
        "The software failed",
        "Keep the run folder, report it; the next run is refused until an engineer acknowledges it.",
    ),
}


@dataclass(frozen=True)
class Cause:
    """One reason for stopping, with the facts of this case.

    `what` is a sentence without the general advice, for instance "digitiser_v did not answer within 2 s".
    `who` names a person where one acted. `at_s` is the monotonic time when it was noticed.
    """

    reason: Reason
    what: str
    at_s: float = 0.0
    who: str | None = None
    details: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {"reason": self.reason.value, "what": self.what, "at_s": self.at_s, "who": self.who} | (
            {"details": self.details} if self.details else {}
        )

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Cause:
        return cls(
            Reason(data["reason"]),
            data["what"],
            data.get("at_s", 0.0),
            data.get("who"),
            data.get("details", {}),
        )


def sentence(cause: Cause, safe: bool | None) -> str:
    """What happened, whether it is safe, what to do next: the one line for 3 a.m.

    `safe` is the verdict of the last proof of off: True proven, False not proven, None not known.
    """
    explanation = EXPLANATIONS[cause.reason]
    safety = {
        True: "Off is proven.",
        False: "OFF IS NOT PROVEN: treat the bench as live and stay out.",
        None: "It is not known whether the bench is off: treat it as live.",
    }[safe]
    return f"{explanation.happened}: {cause.what.rstrip('.')}. {safety} {explanation.advice}"
