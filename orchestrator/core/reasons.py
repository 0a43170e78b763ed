"""Why a run stopped: a closed list, each with what a person at the bench needs to know.

The first cause is latched; later ones are listed behind it. `advice` is what to do next, in one sentence.
Whether the bench is safe is never said here: only a proof of off can say that.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
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
    """What a stop reason means for a person: what happened in general words, and what to do next.

    `check` is what to look at, the likeliest first. `released_by` says whose word the bench waits for before it can be
    started again, where that is more than the person who starts the next run.
    """

    happened: str
    advice: str
    check: tuple[str, ...]
    released_by: str | None = None


_READ_VERDICTS = (
    "the verdicts and the figures behind them: benchward record show RUN",
    "the specimen and the indicator, with everything off and earthed",
)

EXPLANATIONS: dict[Reason, Explanation] = {
    Reason.COMPLETED: Explanation(
        "Every step was done", "Inspect the specimen and read the verdicts.", _READ_VERDICTS
    ),
    Reason.COUNT_REACHED: Explanation(
        "The declared count was reached", "Inspect the specimen and read the verdicts.", _READ_VERDICTS
    ),
    Reason.SPECIMEN_FAILED: Explanation(
        "The specimen exceeded a limit",
        "Keep the specimen as it is, photograph it, read the verdicts.",
        (
            "the waveform of the shot that failed beside the one before it: a probe that moved looks like a failure",
            "probe ratios, ranges and the contact at the specimen's terminals, before anything is touched",
            "the specimen: cracks, soot, smell; photographed before it is moved",
        ),
    ),
    Reason.INDICATOR_IGNITED: Explanation(
        "The indicator showed ignition",
        "Make sure that nothing burns on before you enter; photograph the indicator and the specimen.",
        (
            "through the window: does anything still glow or smoke? exhaust on, extinguisher at hand",
            "the indicator and the place of the specimen that it lay on, photographed before they are moved",
            "that the indicator lay as the sequence asks: fresh, so many layers, in contact",
        ),
    ),
    Reason.ABORT_BY_PERSON: Explanation(
        "A person aborted the run",
        "Write down why; the specimen may go on only if the sequence allows it.",
        (
            'why it was aborted, in the words of who did it: benchward record amend RUN --remark "..." --reason "..."',
        ),
    ),
    Reason.INTERLOCK_OPEN: Explanation(
        "An interlock opened while the bench was armed or live",
        "Find out who or what opened it, close it, and start a new run.",
        (
            "whether somebody went in: count heads before anything else",
            "the interlock named above: open, out of place, or its contact loose",
            "where it has two channels, that both switch together: benchward prove BENCH",
        ),
    ),
    Reason.EMERGENCY_STOP: Explanation(
        "An emergency stop was pressed",
        "Find out why, remove the danger, release and reset the button, start a new run.",
        (
            "who pressed it and what they saw",
            "that the danger is gone, before the button is released and reset",
            "if nobody pressed it: the button's contacts and their cable",
        ),
        "the person who has removed the danger, by resetting the button",
    ),
    Reason.MONITOR_LOST: Explanation(
        "The interlock monitor or its safety I/O stopped answering",
        "Check the safety I/O and its cable, then restart the daemon.",
        (
            "power and lamps of the safety I/O, its network cable, nobody else connected to it",
            "that its watchdog opened the contactor: at the contactor itself, not on a screen",
            "logs/monitor.log in the data folder",
        ),
    ),
    Reason.OFF_NOT_PROVEN: Explanation(
        "Off could not be proven",
        "Call the test operator in charge: a named person must release the bench.",
        (
            "from outside: contactor, discharge and earthing switch, which of them is not where it should be",
            "the voltages named above by a second meter; do not trust a divider that reads zero",
            "only with the mains locked off and the earthing stick on: welded contacts, burnt resistor, loose feedback",
        ),
        "the test operator in charge, by name, once off is proven: benchward answer",
    ),
    Reason.INSTRUMENT_FAULT: Explanation(
        "An instrument did not do what it was told, or did not answer",
        "Check that instrument, its cable and its front panel; prove the bench before the next run.",
        (
            "what is on the terminals, when the verification was not accepted: the link, open, or the specimen",
            "the instrument named above: power, error light, somebody at its front panel",
            "its cable and address, and that it is the unit of the bench file (serial number)",
            "the whole bench without energy: benchward prove BENCH",
        ),
    ),
    Reason.ACTUATOR_FAULT: Explanation(
        "The actuator did not do what it was told",
        "Check the actuator, home it, prove the bench.",
        (
            "that nothing is jammed, and no finger or tool is in its way, before it moves again",
            "its supply, cable and limit switches",
            "position against the last good one, after homing",
        ),
    ),
    Reason.SUPPLY_FAULT: Explanation(
        "The source or its supply left its limits",
        "Check the source and its supply, then start a new run.",
        (
            "the source's own reading beside the bench's divider: which of the two lies",
            "mains, fuses, the key switch and the error light of the source",
            "that the contactor closes when it is told to: benchward prove BENCH",
        ),
    ),
    Reason.CAPTURE_INVALID: Explanation(
        "A shot could not be judged from its capture",
        "Look at the last waveform, check probes, ranges and trigger line, prove the bench.",
        (
            "the last waveform: clipped, flat, too late, or not there",
            "probe ratio and plug, range, trigger cable",
            "whether the shot reached the specimen all the same: it counts as applied",
        ),
    ),
    Reason.SPURIOUS_SHOT: Explanation(
        "Energy was applied without a command",
        "The specimen has had a shot that was not asked for; have the source checked.",
        (
            "the source: self-firing, trigger line, somebody at its front panel",
            "the trigger cable for pick-up from other benches",
            "the specimen as after any shot: it counts as applied",
        ),
        "whoever is answerable for the source, after it was checked",
    ),
    Reason.STORAGE_FAULT: Explanation(
        "The record could not be written",
        "Make room on the disk or repair it, then start a new run.",
        (
            "room and mount of the data folder: df, mount",
            "what of the last shot is in the record: benchward record verify RUN",
            "the disk's own error counts, where it was not full",
        ),
    ),
    Reason.POWER_LOST: Explanation(
        "The daemon or the computer went down in the middle of a run",
        "Treat the run as interrupted; inspect the specimen before anything else.",
        (
            "at the bench, not on a screen: off, discharged, earthed",
            "whether the last act announced in the record happened: assume that it did",
            "why it went down: mains, computer, logs in the data folder",
        ),
        "a person, by starting a new run; nothing goes on by itself",
    ),
    Reason.CALIBRATION_LAPSED: Explanation(
        "A calibration lapses before the run can end",
        "Replace or recalibrate the instrument.",
        (
            "the date on the instrument's label against the bench file's calibration_due",
            "which earlier runs used it after its date: benchward record list --instrument SERIAL",
        ),
        "who may override it, by name and with a reason: benchward start --override-calibration",
    ),
    Reason.PLANNED_PAUSE: Explanation(
        "The run was paused as planned",
        "Resume it when ready.",
        ("that specimen, mounting and indicator are as they were left",),
    ),
    Reason.INTERNAL_ERROR: Explanation(
        "The software failed",
        "Keep the run folder, report it; the next run is refused until an engineer acknowledges it.",
        (
            "the details under the cause, and logs/ in the data folder: they go into the report",
            "that the specimen's last shot is in the record: benchward record verify RUN",
        ),
        "an engineer, by name: benchward answer",
    ),
}


GO_ON = "go on with it: benchward resume RUN"
_CYCLES_OF = "the counts of commanded and confirmed cycles: benchward record show RUN"

FOR_CYCLES: dict[Reason, Explanation] = {
    Reason.SPECIMEN_FAILED: replace(
        EXPLANATIONS[Reason.SPECIMEN_FAILED],
        happened="A specimen failed",
        check=(
            "the waveform of the cycle that failed beside those around it: a lead or a lamp looks like a contact",
            "taps and leads at the specimen's terminals, before anything is touched",
            "the specimen: welded, burnt, loose; photographed before it is moved",
        ),
    ),
    Reason.ABORT_BY_PERSON: replace(
        EXPLANATIONS[Reason.ABORT_BY_PERSON], advice=f"Write down why; once it is looked into, {GO_ON}"
    ),
    Reason.INTERLOCK_OPEN: replace(
        EXPLANATIONS[Reason.INTERLOCK_OPEN], advice=f"Find out who or what opened it, close it, then {GO_ON}"
    ),
    Reason.EMERGENCY_STOP: replace(
        EXPLANATIONS[Reason.EMERGENCY_STOP],
        advice=f"Find out why, remove the danger, release and reset the button, then {GO_ON}",
    ),
    Reason.MONITOR_LOST: replace(
        EXPLANATIONS[Reason.MONITOR_LOST],
        advice=f"Check the safety I/O and its cable, restart the daemon, then {GO_ON}",
    ),
    Reason.OFF_NOT_PROVEN: replace(
        EXPLANATIONS[Reason.OFF_NOT_PROVEN],
        check=(
            "from outside: contactors, brake and actuator, which of them is not where it should be",
            "the voltages named above by a second meter; do not trust a divider that reads zero",
            "only with the mains locked off: welded contacts, loose feedback, a specimen that keeps the load on",
        ),
    ),
    Reason.INSTRUMENT_FAULT: replace(
        EXPLANATIONS[Reason.INSTRUMENT_FAULT],
        advice=f"Check that instrument, its cable and its front panel; prove the bench, then {GO_ON}",
        check=EXPLANATIONS[Reason.INSTRUMENT_FAULT].check[1:],
    ),
    Reason.ACTUATOR_FAULT: replace(
        EXPLANATIONS[Reason.ACTUATOR_FAULT],
        advice=f"Check the actuator, its cable and the specimen in its fixture; prove the bench, then {GO_ON}",
    ),
    Reason.SUPPLY_FAULT: replace(
        EXPLANATIONS[Reason.SUPPLY_FAULT],
        happened="The load or its supply left its limits",
        advice=f"Check the load, its leads and its supply, then {GO_ON}",
        check=(
            "what the sentence above names: one bank only, or all of them",
            "lamps, motor leads and commutator of the load; mains and fuses of its supply",
            "that the contactor closes when it is told to: benchward prove BENCH",
        ),
    ),
    Reason.CAPTURE_INVALID: replace(
        EXPLANATIONS[Reason.CAPTURE_INVALID],
        happened="Cycles could not be judged from their records",
        advice=f"Look at the last waveform, check taps, ranges and trigger line, then {GO_ON}",
        check=(
            "the last waveform: clipped, flat, too late, or not there",
            "taps and their leads, ranges, the line from the position output to the recorder's trigger",
            "the cycles without a record: the specimen has had them, they are not counted",
        ),
    ),
    Reason.STORAGE_FAULT: replace(
        EXPLANATIONS[Reason.STORAGE_FAULT],
        advice=f"Make room on the disk or repair it, then {GO_ON}",
        check=(
            "room and mount of the data folder: df, mount",
            "what of the last cycles is in the record: benchward record verify RUN",
            "the disk's own error counts, where it was not full",
        ),
    ),
    Reason.POWER_LOST: replace(
        EXPLANATIONS[Reason.POWER_LOST],
        advice=f"Treat the run as interrupted; inspect specimen and fixture before anything else, then {GO_ON}",
        check=(
            "at the bench, not on a screen: off, the actuator at rest, nothing warm that should be cold",
            _CYCLES_OF,
            "why it went down: mains, computer, logs in the data folder",
        ),
        released_by="a person, by resuming it; nothing goes on by itself",
    ),
    Reason.INTERNAL_ERROR: replace(
        EXPLANATIONS[Reason.INTERNAL_ERROR],
        check=(EXPLANATIONS[Reason.INTERNAL_ERROR].check[0], _CYCLES_OF),
    ),
}
"""What is said otherwise of a run that makes cycles: it is not begun anew, a further run goes on with it."""


def explained(reason: Reason, goes_on: str | None = None) -> Explanation:
    """What a reason means; `goes_on` names a run of cycles, which a further run can go on with."""
    if goes_on is None:
        return EXPLANATIONS[reason]
    told = FOR_CYCLES.get(reason, EXPLANATIONS[reason])
    advice = told.advice.replace("resume RUN", f"resume {goes_on}")
    return replace(told, advice=advice if advice.endswith(".") else f"{advice}.")


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


def in_doubt(doubt: str) -> str:
    """What to do while an indicator was not seen unmarked: off is not the same as without fire."""
    return f"Fire is possible ({doubt}): look through the window, and enter only when nothing glows or burns."


def sentence(cause: Cause, safe: bool | None, goes_on: str | None = None) -> str:
    """What happened, whether it is safe, what to do next: the one line for 3 a.m.

    `safe` is the verdict of the last proof of off: True proven, False not proven, None not known. `goes_on` names a run
    of cycles, which a further run can go on with.
    """
    explanation = explained(cause.reason, goes_on)
    safety = {
        True: "Off is proven.",
        False: "OFF IS NOT PROVEN: treat the bench as live and stay out.",
        None: "It is not known whether the bench is off: treat it as live.",
    }[safe]
    return f"{explanation.happened}: {cause.what.rstrip('.')}. {safety} {explanation.advice}"
