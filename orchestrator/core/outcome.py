"""Outcome of a run and verdict per clause: two fields, because a bench fault is never a specimen failure.

The outcome is a token of the record with exactly five values that may only get worse. The verdict words are
those of certification report forms.
"""

from __future__ import annotations

from enum import StrEnum

from orchestrator.core.reasons import Reason


class Outcome(StrEnum):
    """What the run is worth as evidence (values of ETSI TTCN-3); declared from best to worst."""

    NONE = "none"
    PASS = "pass"
    INCONC = "inconc"
    FAIL = "fail"
    ERROR = "error"


_ORDER = list(Outcome)


def worse(one: Outcome, other: Outcome) -> Outcome:
    """The worse of two outcomes: an outcome never improves."""
    return max(one, other, key=_ORDER.index)


class Verdict(StrEnum):
    """What the results mean for the specimen, per clause."""

    PASSES = "P"
    FAILS = "F"
    NOT_APPLICABLE = "N/A"
    NOT_JUDGED = "N/J"


OUTCOME_OF: dict[Reason, Outcome] = {
    Reason.COMPLETED: Outcome.PASS,
    Reason.COUNT_REACHED: Outcome.PASS,
    Reason.SPECIMEN_FAILED: Outcome.FAIL,
    Reason.INDICATOR_IGNITED: Outcome.FAIL,
    Reason.ABORT_BY_PERSON: Outcome.INCONC,
    Reason.INTERLOCK_OPEN: Outcome.INCONC,
    Reason.EMERGENCY_STOP: Outcome.INCONC,
    Reason.MONITOR_LOST: Outcome.ERROR,
    Reason.OFF_NOT_PROVEN: Outcome.ERROR,
    Reason.INSTRUMENT_FAULT: Outcome.ERROR,
    Reason.ACTUATOR_FAULT: Outcome.ERROR,
    Reason.SUPPLY_FAULT: Outcome.ERROR,
    Reason.CAPTURE_INVALID: Outcome.INCONC,
    Reason.SPURIOUS_SHOT: Outcome.INCONC,
    Reason.STORAGE_FAULT: Outcome.ERROR,
    Reason.POWER_LOST: Outcome.INCONC,
    Reason.CALIBRATION_LAPSED: Outcome.ERROR,
    Reason.PLANNED_PAUSE: Outcome.NONE,
    Reason.INTERNAL_ERROR: Outcome.ERROR,
}


def in_words(outcome: Outcome, because: str) -> str:
    """What a person reads instead of the token."""
    return {
        Outcome.NONE: "run not finished",
        Outcome.PASS: "run valid: no requirement failed",
        Outcome.FAIL: "run valid: the specimen failed a requirement",
    }.get(outcome, f"run not valid: {because}")


def exit_code(outcome: Outcome, off_proven: bool) -> int:
    """0 fine, 1 the specimen failed, 3 none, inconc or error, or off not proven (which wins)."""
    if not off_proven or outcome in (Outcome.NONE, Outcome.INCONC, Outcome.ERROR):
        return 3
    return 1 if outcome is Outcome.FAIL else 0
